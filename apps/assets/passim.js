// What only the browser knows: light or dark, the title of its window, and a menu that closes behind a choice.
(function () {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const scheme = () => (dark.matches ? "dark" : "light");
  const titles = { "/": "Now" };

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.passim = {
    scheme: () => scheme(),
    // Called when a page has taken its place.
    title: (_, path) => {
      if (!path) return "";
      const name = titles[path] || path.slice(1, 2).toUpperCase() + path.slice(2);
      document.title = name + " – passim";
      // The field behind a place to drop files on comes without a name.
      window.setTimeout(() => {
        for (const field of document.querySelectorAll(".drop input[type=file]")) {
          field.setAttribute("aria-label", "Element files");
          field.setAttribute("tabindex", "-1");
        }
      }, 0);
      return "Page " + name;
    },
  };

  dark.addEventListener("change", () => window.dash_clientside.set_props("scheme", { data: scheme() }));

  let picks = 0;
  document.addEventListener("change", (event) => {
    if (!event.target.matches || !event.target.matches("select.choice-list")) return;
    const key = JSON.parse(event.target.id).name;
    picks += 1;
    window.dash_clientside.set_props("picked", { data: { key: key, value: event.target.value, count: picks } });
  });

  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest(".menu a");
    if (link) link.closest("details").open = false;
  });
})();
