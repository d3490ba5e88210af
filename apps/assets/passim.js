// What only the browser knows: light or dark, the title of its window, and a menu that closes behind a choice.
(function () {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const scheme = () => (dark.matches ? "dark" : "light");
  const titles = { "/": "Now" };

  // The field behind a place to drop files on comes late and without a name.
  const nameUploads = () => {
    const give = () => {
      for (const field of document.querySelectorAll(".drop input[type=file]")) {
        const title = field.closest("section").querySelector("h2");
          field.setAttribute("aria-label", title ? title.textContent : "Files");
        field.setAttribute("tabindex", "-1");
      }
    };
    give();
    const watch = new MutationObserver(give);
    watch.observe(document.getElementById("panels"), { childList: true, subtree: true });
    window.setTimeout(() => watch.disconnect(), 5000);
  };

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.passim = {
    scheme: () => scheme(),
    // Called when a page has taken its place.
    title: (_, path) => {
      if (!path) return "";
      const name = titles[path] || path.slice(1, 2).toUpperCase() + path.slice(2);
      document.title = name + " – passim";
      nameUploads();
      return "Page " + name;
    },
  };

  dark.addEventListener("change", () => window.dash_clientside.set_props("scheme", { data: scheme() }));

  // Picks made before the address follows go together, so that a quick second one does not undo the first.
  // Dash wraps each radio button in an "option", inside which screen readers find no button: the plain button says it all.
  const plainButtons = () => {
    for (const place of document.querySelectorAll(".ways, .ways *")) {
      for (const name of ["role", "aria-selected", "aria-multiselectable"]) {
        if (place.hasAttribute(name)) place.removeAttribute(name);
      }
    }
  };
  new MutationObserver(plainButtons).observe(document.documentElement, {
    childList: true, subtree: true, attributes: true, attributeFilter: ["role", "aria-selected"],
  });

  let picks = 0, together = {}, before = null;
  document.addEventListener("change", (event) => {
    if (!event.target.matches || !event.target.matches("select.choice-list")) return;
    const id = event.target.id;
    const key = id.startsWith("{") ? JSON.parse(id).name : id;
    if (window.location.href !== before) {
      before = window.location.href;
      together = {};
    }
    together[key] = event.target.value;
    picks += 1;
    window.dash_clientside.set_props("picked", {
      data: { key: key, value: event.target.value, values: { ...together }, count: picks },
    });
  });

  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest(".menu a");
    if (link) link.closest("details").open = false;
  });
})();
