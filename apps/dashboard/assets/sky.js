// The Sky page in the browser: the fields for another horizon, and what a touch on the picture chooses.
//
// The fields are drawn here from a draft, the text of every field as it was typed, so that typing, a row more and a row
// less wait for no answer. The draft goes into the store "drafts", which the browser keeps, by the place it is for.
(function () {
  "use strict";
  const WAIT_MS = 500, MOST_PLACES = 50, MOST_LETTERS = 2000000;
  const partsOf = (made) => Object.keys(made.columns);
  const unchanged = () => window.dash_clientside.no_update;

  // The fields that stand on the page: their place and what they are made of, the draft as it is typed, its text when
  // it was last handed on, and whether it has been typed in since.
  let form = null, drafts = {}, timer = null;

  const make = (kind, parent, values, attributes) => {
    const element = Object.assign(document.createElement(kind), values);
    for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
    if (parent) parent.appendChild(element);
    return element;
  };

  // --- drafts ---

  const textOf = (draft, made) =>
    JSON.stringify(["way", ...partsOf(made), ...made.singles.map(([key]) => key), "file"].map((key) => draft[key]));

  const isSound = (draft, made) => {
    if (!draft || !made.ways.some(([way]) => way === draft.way)) return false;
    const isText = (words) => typeof words === "string";
    const isRow = (row, part) => Array.isArray(row) && row.length === made.columns[part].length && row.every(isText);
    return (
      partsOf(made).every((part) => Array.isArray(draft[part]) && draft[part].every((row) => isRow(row, part))) &&
      made.singles.every(([key]) => isText(draft[key])) &&
      (draft.file === null || (isText((draft.file || {}).name) && Array.isArray(draft.file.points)))
    );
  };

  // A browser keeps a few megabytes: the places worked on longest ago go first.
  const bounded = (kept) => {
    let pairs = Object.entries(kept).slice(-MOST_PLACES);
    while (pairs.length > 1 && JSON.stringify(pairs).length > MOST_LETTERS) pairs = pairs.slice(1);
    return Object.fromEntries(pairs);
  };

  const without = (kept, place) => Object.fromEntries(Object.entries(kept || {}).filter(([name]) => name !== place));

  const handOn = () => {
    window.clearTimeout(timer);
    if (!form || !form.typed || !document.getElementById("horizon-fields")) return;
    form.typed = false;
    form.handedOn = textOf(form.draft, form.made);
    drafts = bounded({ ...without(drafts, form.place), [form.place]: structuredClone(form.draft) });
    window.dash_clientside.set_props("drafts", { data: drafts });
  };

  // --- what came of a button of the ranks, under its row: brought into sight where it begins below the window ---

  const FOLLOWED_MS = 5000;
  document.addEventListener("click", (event) => {
    const row = event.target.closest && event.target.closest(".ranks button") && event.target.closest("tr");
    if (!row) return;
    const kept = (row.matches(".kept-row") ? row : row.nextElementSibling).querySelector(".kept");
    const said = kept.textContent, begun = Date.now();
    const watch = window.setInterval(() => {
      const changed = kept.textContent !== said;
      if (changed) kept.scrollIntoView({ block: "nearest" });
      if (changed || Date.now() - begun > FOLLOWED_MS) window.clearInterval(watch);
    }, 100);
  });

  // --- fields ---

  const field = (label, value, take) => {
    const input = make("input", label, {
      value: value, type: "text", inputMode: "decimal", autocomplete: "off", maxLength: form.made.longest,
      className: "field",
    });
    input.addEventListener("input", () => {
      take(input.value);
      form.typed = true;
      // Time to type a number out.
      window.clearTimeout(timer);
      timer = window.setTimeout(handOn, WAIT_MS);
    });
    input.addEventListener("change", handOn);
  };

  const changeRows = (part, change, focusOn) => {
    change(form.draft[part]);
    if (!form.draft[part].length) form.draft[part].push(form.made.columns[part].map(() => ""));
    form.typed = true;
    draw();
    focusOn(document.querySelector(`#horizon-fields .for-${part}`));
    handOn();
  };

  const drawRows = (part, parent) => {
    const place = make("div", parent, { className: "for-" + part });
    const columns = form.made.columns[part], one = form.made.one[part];
    make("p", place, { className: "quiet field-help", textContent: form.made.helps[part] });
    const table = make("table", place, { className: "fields" });
    make("caption", table, { className: "unseen", textContent: "The " + part });
    const head = make("tr", make("thead", table));
    for (const words of columns) make("th", head, { scope: "col", textContent: words });
    make("span", make("th", head, { scope: "col" }), { className: "unseen", textContent: "Remove" });
    const body = make("tbody", table);
    form.draft[part].forEach((row, k) => {
      const line = make("tr", body);
      columns.forEach((words, column) => {
        const label = make("label", make("td", line));
        make("span", label, { className: "unseen", textContent: `${words} of ${one} ${k + 1}` });
        field(label, row[column], (value) => { row[column] = value; });
      });
      const remove = make("button", make("td", line), {
        type: "button", className: "button small", textContent: "✕",
      }, { "aria-label": `Remove ${one} ${k + 1}` });
      remove.addEventListener("click", () =>
        changeRows(part, (rows) => rows.splice(k, 1), (shown) => {
          const buttons = shown.querySelectorAll("td button");
          buttons[Math.min(k, buttons.length - 1)].focus();
        }));
    });
    const add = make("button", place, { type: "button", className: "button", textContent: "Add " + one });
    add.disabled = form.draft[part].length >= form.made.most_rows;
    add.addEventListener("click", () =>
      changeRows(part, (rows) => rows.push(columns.map(() => "")), (shown) => {
        shown.querySelector("tbody tr:last-child input").focus();
      }));
  };

  const draw = () => {
    const { draft, made } = form;
    const found = document.createDocumentFragment();
    const group = make("div", found, {}, { role: "group", "aria-label": "How the horizon is given" });
    const ways = make("div", group, { className: "ways" });
    for (const [way, words] of made.ways) {
      const label = make("label", ways);
      const button = make("input", label, { type: "radio", name: "horizon-way", value: way, checked: draft.way === way });
      make("span", label, { textContent: words });
      button.addEventListener("change", () => {
        draft.way = way;
        form.typed = true;
        handOn();
      });
    }
    partsOf(made).forEach((part) => drawRows(part, found));
    make("p", found, { className: "for-clear quiet field-help", textContent: made.helps.clear });
    const count = draft.file === null ? 0 : draft.file.points.length;
    make("p", found, {
      className: "for-file quiet",
      textContent: draft.file === null ? "No file yet."
        : `${draft.file.name}: ${count.toLocaleString("en")} point${count === 1 ? "" : "s"}.`,
    });
    const singles = make("div", found, { className: "singles" });
    for (const [key, words] of made.singles) {
      const label = make("label", singles, { className: `single single-${key}` });
      make("span", label, { textContent: words });
      field(label, draft[key], (value) => { draft[key] = value; });
    }
    document.getElementById("horizon-fields").replaceChildren(found);
  };

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.sky = {
    // Draw the fields of a place, unless they are what stands there; return the class that shows one way's fields.
    fields: (given, stored) => {
      const place = document.getElementById("horizon-fields");
      if (!given || !place) return unchanged();
      drafts = stored && typeof stored === "object" ? stored : {};
      // What was typed for another place goes there first.
      if (form && form.place !== given.place) handOn();
      // One that was typed before there were stretches has none.
      const typed = drafts[given.place];
      const kept = typed && { stretches: given.draft.stretches, ...typed };
      const draft = isSound(kept, given.made) ? kept : given.draft;
      const text = textOf(draft, given.made);
      const stands = form && form.place === given.place && place.firstChild &&
        (text === form.handedOn || text === textOf(form.draft, form.made));
      if (!stands) {
        window.clearTimeout(timer);
        form = { place: given.place, made: given.made, draft: structuredClone(draft), handedOn: text, typed: false };
        draw();
      }
      return "trial-fields way-" + form.draft.way;
    },
    // A file that was read becomes the draft of its place.
    loaded: (read, stored) =>
      read ? bounded({ ...without(stored, read.place), [read.place]: read.draft }) : unchanged(),
    // Start again: the draft of the place is dropped.
    dropped: (clicks, given, stored) => {
      if (!clicks || !given) return unchanged();
      window.clearTimeout(timer);
      if (form) form.typed = false;
      return without(stored, given.place);
    },
    // The record of freezes is taken away: the keyboard goes where another one can be handed in.
    taken: (clicks) => {
      if (!clicks) return unchanged();
      window.setTimeout(() => document.querySelector("#record-file button")?.focus(), WAIT_MS);
      return null;
    },
    // The question of the matcher changed: what answered the one before goes. The last argument is what was asked.
    stale: (...given) =>
      given[given.length - 1]
        ? [null, [], [], "The question has changed: press Search for its answer."]
        : [unchanged(), unchanged(), unchanged(), unchanged()],
    // The address with the gap whose cross was touched; the touch is forgotten, so that the next one counts anew.
    touched: (click, search) => {
      if (!click) return [unchanged(), unchanged()];
      const point = click.points && click.points[0];
      const found = new URLSearchParams(search || "");
      const isCross = point && typeof point.customdata === "string";
      if (!isCross || found.get("gap") === point.customdata) return [unchanged(), null];
      found.set("gap", point.customdata);
      return ["?" + found, null];
    },
    // The address without the gap, handed on where it is another.
    spot: (search, known) => {
      const found = new URLSearchParams(search || "");
      found.delete("gap");
      const text = found.size ? "?" + found : "";
      return text === known ? unchanged() : text;
    },
  };
})();
