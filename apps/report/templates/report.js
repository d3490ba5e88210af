(function () {
  "use strict";
  var config = JSON.parse(document.getElementById("config").textContent);
  document.querySelectorAll("script[data-picture]").forEach(function (held) {
    var figure = JSON.parse(held.textContent);
    Plotly.newPlot(held.getAttribute("data-picture"), figure.data, figure.layout, config);
  });
})();
