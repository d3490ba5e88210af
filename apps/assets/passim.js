// What only the browser knows: light or dark, the title of its window, and a menu that closes behind a choice.
(function () {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const scheme = () => (dark.matches ? "dark" : "light");
  const titles = { "/": "Now" };

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.passim = {
    scheme: () => scheme(),
    title: (path) => {
      const name = titles[path] || path.slice(1, 2).toUpperCase() + path.slice(2);
      document.title = name + " – passim";
      return "Page " + name;
    },
  };

  dark.addEventListener("change", () => window.dash_clientside.set_props("scheme", { data: scheme() }));

  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest(".menu a");
    if (link) link.closest("details").open = false;
  });
})();
