// What only the browser knows: light or dark, the title of its window, and a menu that closes behind a choice.
(function () {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  // As narrow as where the style sheet becomes that of a phone: some pictures are drawn otherwise there.
  const narrow = window.matchMedia("(max-width: 47rem)");
  const scheme = () => {
    // On white paper the style sheet turns the colours of what was drawn dark.
    document.documentElement.classList.toggle("drawn-dark", dark.matches);
    return (dark.matches ? "dark" : "light") + (narrow.matches ? " narrow" : "");
  };
  const titles = { "/": "Now" };

  // The field behind a place to drop files on comes late and without a name.
  const nameUploads = () => {
    const give = () => {
      for (const field of document.querySelectorAll(".drop input[type=file]")) {
        const title = field.closest("section, details.trying").querySelector("h2");
        field.setAttribute("aria-label", title ? title.textContent : "Files");
        field.setAttribute("tabindex", "-1");
      }
    };
    give();
    const watch = new MutationObserver(give);
    watch.observe(document.getElementById("panels"), { childList: true, subtree: true });
    window.setTimeout(() => watch.disconnect(), 5000);
  };

  // --- a section that the address names: whatever it is folded into is opened ---

  // Pictures above it come later and push it down: it is kept in sight until somebody scrolls.
  const FOLLOWED_MS = 4000;
  let following = null;
  const unfollow = () => {
    window.clearInterval(following);
    following = null;
  };
  for (const kind of ["wheel", "touchmove", "keydown", "mousedown"]) {
    window.addEventListener(kind, unfollow, { passive: true });
  }
  const openNamed = () => {
    unfollow();
    const name = decodeURIComponent(window.location.hash.slice(1)), begun = Date.now();
    if (!name) return;
    let opened = false;
    following = window.setInterval(() => {
      const named = document.getElementById(name);
      if (Date.now() - begun > FOLLOWED_MS) unfollow();
      if (!named) return;
      if (!opened) {
        opened = true;
        for (let at = named; at; at = at.parentElement) if (at.tagName === "DETAILS") at.open = true;
      }
      named.scrollIntoView();
    }, 200);
  };
  window.addEventListener("hashchange", openNamed);

  // --- what stands in the address ---

  const KEYS = ["site", "spot", "day", "mask", "fleet"];
  const address = (values) => window.dash_clientside.set_props("address", values);

  // Picks made before the address follows go together, so that a quick second one does not undo the first.
  let picks = new Map(), before = null;
  const pick = (key, value, usual) => {
    if (window.location.href !== before) {
      before = window.location.href;
      picks = new Map();
    }
    // What a page takes without being told goes unsaid.
    const said = value === usual ? "" : value;
    if (key === "place") {
      const [site, spot] = said.split("/").map(decodeURIComponent);
      picks.set("site", site).set("spot", spot ?? "");
    } else {
      picks.set(key, said);
    }
    const found = new Map(new URLSearchParams(window.location.search));
    for (const [name, words] of picks) words ? found.set(name, words) : found.delete(name);
    const more = [...found.keys()].filter((name) => !KEYS.includes(name)).sort();
    const query = new URLSearchParams([...KEYS, ...more].filter((n) => found.has(n)).map((n) => [n, found.get(n)]));
    address({ search: found.size ? "?" + query : "" });
  };

  // --- lists and tables, each drawn as one piece where what it holds has changed ---

  const drawn = new WeakMap();
  const differs = (place, data) => {
    const text = JSON.stringify(data);
    if (drawn.get(place) === text) return false;
    drawn.set(place, text);
    return true;
  };

  const make = (kind, text, parent, classes) => {
    const element = document.createElement(kind);
    if (text !== null) element.textContent = text;
    if (classes) element.className = classes;
    if (parent) parent.appendChild(element);
    return element;
  };

  const drawList = (list, offer) => {
    if (!differs(list, offer)) {
      list.value = offer.value;
      return;
    }
    const fragment = document.createDocumentFragment();
    for (const [value, words] of offer.options) make("option", words, fragment).value = value;
    list.replaceChildren(fragment);
    list.value = offer.value;
    // A list of one fleet is no choice.
    list.closest(".choice").hidden = keyOf(list) === "fleet" && offer.options.length < 2;
  };

  const drawTable = (frame, data) => {
    if (!differs(frame, data)) return;
    const fragment = document.createDocumentFragment();
    if (data && data.rows.length) {
      const table = make("table", null, fragment);
      make("caption", data.caption, table, "unseen");
      const flush = data.numeric.map((numeric) => (numeric ? "number" : ""));
      const head = make("tr", null, make("thead", null, table));
      data.headings.forEach((text, k) => {
        make("th", text, head, `${flush[k]} ${text.length > 12 ? "long" : ""}`.trim()).scope = "col";
      });
      const body = make("tbody", null, table);
      data.rows.forEach((row, nth) => {
        const line = make("tr", null, body, nth < data.printed ? "" : "off-paper");
        row.forEach((text, k) => make("td", text, line, `${flush[k]} ${text.length > 24 ? "long" : ""}`.trim()));
      });
    }
    if (data && data.note) make("p", data.note, fragment, data.paper ? "quiet off-paper" : "quiet");
    if (data && data.paper) make("p", data.paper, fragment, "quiet on-paper");
    frame.replaceChildren(fragment);
  };

  // Two answers under way at once may come in either order: what is shown must be the answer to what is asked.
  let answered = null, asked = 0, askedFor = "", tries = 0;
  let leftOut = null;
  const say = (words) => window.dash_clientside.set_props("notice", { children: words });
  // How to start the server again is told by the page, since nobody else can be asked.
  const gone = () => document.querySelector(".sheet").dataset.gone;
  const stale = () => answered.path !== window.location.pathname || answered.search !== window.location.search;
  // From a choice or a link on, what stands there is no answer any more; of another page not even its words stay.
  const mark = () => {
    const page = document.getElementById("page");
    if (!page || !answered) return;
    page.classList.toggle("asked", stale() || answered.waiting === true);
    page.classList.toggle("elsewhere", answered.path !== window.location.pathname);
  };
  // Dash keeps quiet where no answer comes.
  let troubled = false;
  const plainFetch = window.fetch;
  window.fetch = async (...given) => {
    if (!String(given[0].url || given[0]).includes("/_dash-update-component")) return plainFetch(...given);
    let answer;
    try {
      answer = await plainFetch(...given);
    } catch (error) {
      // What is under way when a page is left or an answer comes too late is nobody's fault.
      if (error.name !== "AbortError" && !leaving) say(gone());
      troubled = true;
      throw error;
    }
    const plain = (answer.headers.get("Content-Type") || "").startsWith("text/plain");
    if (answer.status >= 400 && plain) {
      troubled = true;
      say((await answer.clone().text()).trim());
    } else if (troubled && answer.ok) {
      troubled = false;
      say("");
    }
    return answer;
  };
  let leaving = false;
  window.addEventListener("pagehide", () => { leaving = true; });
  const askAgain = () => {
    if (!stale()) return;
    tries = window.location.href === askedFor ? tries + 1 : 1;
    askedFor = window.location.href;
    if (tries <= 5) window.dash_clientside.set_props("again", { data: (asked += 1) });
  };

  // --- what goes on by itself between two answers: whether to call, how long until the next gap or the end of this ---

  // The dashboard's clock, not the browser's: `ahead_ms` is how much later it is there. It survives a laptop's sleep.
  let live = null, ahead_ms = 0, askedAt = 0, wasOut = null, pageName = "";
  const length = (ms) => {
    const s = Math.max(0, Math.ceil(ms / 1000)), m = Math.floor(s / 60);
    if (s < 60) return s + "\u00a0s";
    if (s < 3600) return m + "\u00a0min" + (s % 60 ? "\u00a0" + (s % 60) + "\u00a0s" : "");
    return Math.floor(m / 60) + "\u00a0h" + (m % 60 ? "\u00a0" + (m % 60) + "\u00a0min" : "");
  };
  const tell = () => {
    const place = document.getElementById("live");
    if (!place) return;
    const now = Date.now() + ahead_ms;
    // Past the end of what was told, or on another page, it says nothing.
    if (!live || live.path !== window.location.pathname || now >= live.until_ms) {
      if (place.textContent) place.textContent = "";
      document.title = pageName ? pageName + " – passim" : document.title;
    } else {
      const nth = live.gaps_ms.findIndex(([, end]) => end > now), gap = live.gaps_ms[nth];
      const out = gap !== undefined && gap[0] <= now;
      const ahead = gap === undefined ? live.calm : live.ahead.replace("{}", length(gap[0] - now));
      const next = gap === undefined ? ahead : ahead + live.gap_words[nth];
      place.textContent = out ? live.out.replace("{}", length(gap[1] - now)) : live.verdict + " " + next;
      place.classList.toggle("out", out);
      document.title = (out ? live.not_serving : live.serving) + " – " + pageName + " – passim";
      if (wasOut === out || wasOut === null) {
        wasOut = out;
        return;
      }
      wasOut = out;
    }
    // A gap has begun or ended, or the machine has slept: the sentence is to be of this moment too.
    if (live && live.path === window.location.pathname && Date.now() - askedAt > 2000) {
      askedAt = Date.now();
      window.dash_clientside.set_props("again", { data: (asked += 1) });
    }
  };
  window.setInterval(tell, 250);
  document.addEventListener("visibilitychange", tell);

  const keyOf = (element) => JSON.parse(element.id).name;
  let tables = {};
  // A table behind a closed summary is drawn when it is opened.
  const drawTables = () => {
    for (const frame of document.querySelectorAll("details[open] > .table-frame")) {
      drawTable(frame, tables[keyOf(frame)] || null);
    }
    fitTables();
  };
  // Of a table wider than its place whole columns are shown: a word cut at the edge is read as another.
  const fitTables = () => {
    for (const frame of document.querySelectorAll(".table-frame:has(th)")) {
      frame.style.maxWidth = frame.style.scrollPaddingLeft = "";
      frame.classList.remove("cut");
      if (frame.scrollWidth <= frame.clientWidth + 1) continue;
      frame.classList.add("cut");
      const columns = [...frame.querySelector("tr").children];
      const ends = columns.map((each) => each.offsetLeft + each.offsetWidth).filter((end) => end <= frame.clientWidth);
      if (ends.length > 1) frame.style.maxWidth = `${ends.at(-1)}px`;
      frame.style.scrollPaddingLeft = `${columns[0].offsetWidth}px`;
    }
  };
  window.addEventListener("resize", fitTables);
  document.addEventListener("toggle", drawTables, true);
  // A table without a row, of which the sentence above it says so, is closed once: whoever wants it opens it.
  const closed = new WeakMap();
  const closeTables = () => {
    for (const frame of document.querySelectorAll("details.numbers > .table-frame[id]")) {
      const details = frame.parentElement, data = tables[keyOf(frame)];
      if (!data || data.closed === (closed.get(details) ?? false)) continue;
      closed.set(details, data.closed);
      details.open = !data.closed;
    }
  };

  // A picture that was first drawn behind a closed summary fills a place without height: it keeps that of its figure.
  const givePicturesHeight = () => {
    for (const plot of document.querySelectorAll("details[open] > .picture-frame .js-plotly-plot")) {
      const drawn = plot._fullLayout;
      if (drawn && !plot.style.height.endsWith("px")) plot.style.height = `${drawn.height}px`;
    }
  };
  document.addEventListener("toggle", givePicturesHeight, true);

  // On paper nothing can be opened: what was closed is open for as long as the page is printed.
  // A picture's place keeps its height: on a narrower sheet plotly would fit the picture into one that has none.
  const paper = window.matchMedia("print");
  let opened = [], pinned = [], onPaper = false;
  const forPaper = (wanted) => {
    if (wanted === onPaper) return;
    onPaper = wanted;
    if (onPaper) {
      opened = [...document.querySelectorAll("details.numbers:not([open])")];
      for (const details of opened) details.open = true;
      drawTables();
      givePicturesHeight();
      pinned = [...document.querySelectorAll(".picture-frame:has(.js-plotly-plot)")].filter(
        (frame) => window.getComputedStyle(frame).visibility !== "hidden");
      // By now the sheet's rules hold, and the place may have lost its height already: its picture has it still.
      for (const frame of pinned) {
        const drawn = frame.querySelector(".main-svg")?.getBoundingClientRect().height ?? 0;
        frame.style.minHeight = `${Math.max(frame.clientHeight, drawn)}px`;
      }
    } else {
      for (const details of opened) details.open = false;
      for (const frame of pinned) frame.style.minHeight = "";
      opened = [];
      pinned = [];
    }
  };
  // Sheets are counted before the change of medium is told: what opens later would be cut off at the end of the last.
  window.addEventListener("beforeprint", () => forPaper(true));
  window.addEventListener("afterprint", () => forPaper(false));
  paper.addEventListener("change", () => forPaper(paper.matches));

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.passim = {
    scheme: () => scheme(),
    // What draws pictures keeps a browser busy for a second when it is first loaded: what stands there by then is
    // painted before. A page in the background paints nothing, and does not wait for it.
    opened: async (page) => {
      if (!window.Plotly) {
        const painted = new Promise((go) => window.requestAnimationFrame(() => window.setTimeout(go)));
        await Promise.race([painted, new Promise((go) => window.setTimeout(go, 100))]);
      }
      return [page.panels, page.path];
    },
    // Called when a page has taken its place.
    title: (_, path) => {
      if (!path) return "";
      const name = titles[path] || path.slice(1, 2).toUpperCase() + path.slice(2);
      pageName = name;
      document.title = name + " – passim";
      nameUploads();
      openNamed();
      return "Page " + name;
    },
    tables: (data) => {
      tables = data || {};
      closeTables();
      drawTables();
    },
    lists: (offers) => {
      if (!offers) return;
      answered = offers;
      mark();
      if (offers.live !== undefined) {
        live = offers.live && { ...offers.live, path: offers.path };
        wasOut = null;
        if (live) ahead_ms = live.now_ms - Date.now();
        tell();
      }
      // What the page could not use goes out of the address in its place, and what was said of it stays said.
      if (offers.sound !== undefined && !stale()) {
        leftOut = { path: offers.path, search: offers.sound, message: offers.message };
        window.history.replaceState(null, "", offers.path + offers.sound);
        address({ href: window.location.href, search: offers.sound });
      } else if (leftOut && leftOut.path === offers.path && leftOut.search === offers.search) {
        window.dash_clientside.set_props("left-out", { children: leftOut.message });
      } else if (!stale()) {
        leftOut = null;
        window.dash_clientside.set_props("left-out", { children: "" });
      }
      if (stale()) {
        window.setTimeout(askAgain, 400);
        return;
      }
      if (offers.begin) window.dash_clientside.set_props("begun", { data: Date.now() });
      const figures = document.querySelector(".key-figures");
      if (figures && offers.figures) {
        figures.replaceChildren();
        for (const [value, words] of offers.figures) {
          const pair = make("div", null, figures);
          make("dt", words, pair);
          make("dd", value, pair);
        }
      }
      for (const place of document.querySelectorAll(".help .of-answer")) {
        if (offers.about) place.textContent = offers.about[place.dataset.panel] || "";
      }
      for (const list of document.querySelectorAll("select.choice-list")) {
        const offer = offers.lists[keyOf(list)];
        if (offer) drawList(list, offer);
      }
      const said = [...document.querySelectorAll("select.choice-list")].filter((list) => list.selectedOptions.length);
      // Site, day and fleet say what they are; of the rest only what differs from the usual, with its name.
      const told = said.filter((list) => list.closest(".head") || list.selectedIndex > 0 || keyOf(list) === "mask");
      const chosen = told.map((list) => {
        const words = list.selectedOptions[0].textContent;
        return list.closest(".head") ? words : list.closest(".choice").querySelector(".choice-label").textContent + ": " + words;
      });
      const besides = [...document.querySelectorAll(".head .told")].map((each) => each.textContent);
      document.getElementById("chosen").textContent = [...chosen, ...besides.reverse()].join(" · ");
    },
    // Every number of satellites in words: arrow keys go from one to the next.
    growthEnds: (figure) => {
      const most = figure && figure.layout.meta && figure.layout.meta.satellites;
      return most ? [most, most] : [window.dash_clientside.no_update, window.dash_clientside.no_update];
    },
    growthAt: (number) => {
      const picture = document.querySelector(`[id*='"name":"curve"'] .js-plotly-plot`);
      // Put there by a new picture, nobody has asked for it, and the picture may not be drawn yet.
      if (document.activeElement.id !== "growth-number" || !picture || !picture._fullData) return "";
      const lines = new Map();
      for (const trace of picture._fullData) {
        const nth = trace.customdata ? Array.from(trace.x).indexOf(Number(number)) : -1;
        if (nth >= 0) lines.set(trace.name, [...(lines.get(trace.name) || []), [trace.hovertemplate, trace.customdata[nth]]]);
      }
      const told = ([template, value]) => {
        if (template.includes("%{customdata:.2%}")) return (100 * value).toFixed(2) + "\u00a0% out";
        return template.includes(" gaps") ? value.toFixed(0) + "\u00a0gaps" : "gap\u00a0" + length(1000 * value);
      };
      const words = [...lines].map(([name, values]) => name + " " + values.map(told).join(", "));
      return Number(number).toLocaleString("en") + " satellites: " + words.join("; ") + ".";
    },
    // The address with the place that was tapped on the map; the tap is forgotten, so that the next one counts anew.
    placeTapped: (tapped, search) => {
      const none = window.dash_clientside.no_update;
      const point = tapped && tapped.points && tapped.points[0];
      if (!point || point.lat === undefined) return [none, tapped ? null : none];
      const found = new URLSearchParams(search || "");
      found.set("added", `${Number(point.lat.toFixed(4))},${Number(point.lon.toFixed(4))}`);
      return ["?" + found, null];
    },
    // What a change on Setup comes to stands over its fields, which may have been further down.
    toWhatIsTold: (_, path) => {
      if (path === "/setup") window.scrollTo(0, 0);
    },
    goneCalendars: (wanted) => {
      let kept = null;
      try {
        kept = JSON.parse(window.localStorage.getItem("calendars"));
      } catch {
        // what cannot be read is not there
      }
      const has = new Set((Array.isArray(kept) ? kept : []).map((entry) => entry && entry.key));
      return (Array.isArray(wanted) ? wanted : []).filter((key) => !has.has(key));
    },
    links: (path, search) => {
      for (const link of document.querySelectorAll("a.page-link")) {
        const here = link.pathname === path;
        link.search = search || "";
        link.classList.toggle("here", here);
        here ? link.setAttribute("aria-current", "page") : link.removeAttribute("aria-current");
        // Links elsewhere on a page say what it answers; those of the menu name it.
        if (here && link.closest(".menu")) document.querySelector(".menu summary").textContent = "Menu: " + link.textContent;
      }
      mark();
    },
  };

  for (const asked of [dark, narrow]) {
    // A sheet of paper may be as narrow as a phone: what is printed stays as it was drawn.
    asked.addEventListener("change", () => {
      if (!window.matchMedia("print").matches) window.dash_clientside.set_props("scheme", { data: scheme() });
    });
  }

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

  // The button that takes a place away goes with it: the one beside it takes over the focus.
  document.addEventListener("click", (event) => {
    if (event.target.id === "added-remove") document.getElementById("added-use").focus();
  });

  document.addEventListener("change", (event) => {
    const list = event.target;
    if (list.matches && list.matches("select.choice-list")) pick(keyOf(list), list.value, list.options[0].value);
  });

  // --- files handed in: what is too large is told before it is sent ---

  const tooLarge = (place, files) => {
    const most = Number(place.dataset.mostBytes), got = [...files].reduce((sum, file) => sum + file.size, 0);
    const message = place.querySelector(".too-large");
    const megabytes = (bytes) => (bytes / 2 ** 20).toFixed(bytes % 2 ** 20 ? 1 : 0) + " MB";
    const what = files.length === 1 ? "file " + files[0].name : files.length + " files";
    message.textContent = got > most ? what + "; got " + megabytes(got) + "; wanted at most " + megabytes(most) : "";
    return got > most;
  };
  document.addEventListener("change", (event) => {
    const field = event.target;
    const place = field.type === "file" && field.closest(".drop-place");
    if (!place || !tooLarge(place, field.files)) return;
    event.stopImmediatePropagation();
    field.value = "";
  }, true);
  document.addEventListener("drop", (event) => {
    const place = event.target.closest && event.target.closest(".drop-place");
    if (!place || !tooLarge(place, event.dataTransfer.files)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    event.target.dispatchEvent(new DragEvent("dragleave", { bubbles: true }));
  }, true);

  // --- files taken out: where their numbers are still being computed, the server is asked again ---

  const fetchFile = async (link) => {
    if (link.ariaBusy === "true") return;
    link.ariaBusy = "true";
    try {
      let answer = await fetch(link.href);
      while (answer.status === 202) {
        const wait_s = Number(answer.headers.get("Retry-After")) || 1;
        await new Promise((go) => window.setTimeout(go, 1000 * wait_s));
        answer = await fetch(link.href);
      }
      if (!answer.ok) return say((await answer.text()).trim());
      const named = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") || "");
      const made = document.createElement("a");
      made.href = URL.createObjectURL(await answer.blob());
      made.download = named ? named[1] : "passim";
      made.click();
      window.setTimeout(() => URL.revokeObjectURL(made.href), 60000);
    } catch {
      say("The file did not come: " + gone());
    } finally {
      link.ariaBusy = null;
    }
  };
  document.addEventListener("click", (event) => {
    const file = event.target.closest && event.target.closest("a[href^='/csv/'], a[href^='/ics/']");
    if (!file) return;
    event.preventDefault();
    fetchFile(file);
  });

  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a.page-link, a.way");
    const plainly = event.button === 0 && !(event.metaKey || event.ctrlKey || event.shiftKey || event.altKey);
    if (!link || !plainly) return;
    event.preventDefault();
    if (link.closest(".menu")) link.closest(".menu").open = false;
    const same = link.pathname === window.location.pathname;
    const search = link.matches(".way") ? link.search : window.location.search;
    address({ pathname: link.pathname, search: search, hash: link.hash });
    link.hash ? same && window.setTimeout(openNamed, 0) : window.scrollTo(0, 0);
  });
})();
