// The sky turned by the phone's compass: what lies ahead stands in the middle of the picture.
//
// Only a secure context (TLS, or this machine itself) hears of the compass. The button shows where a reading has come, and
// on a touch screen whose browser wants a tap before it gives any. Else the picture stays as it is: north at both ends.
(function () {
  "use strict";
  const EVENTS = ["deviceorientationabsolute", "deviceorientation"];
  // A redraw takes a phone some tens of milliseconds, and a hand is never still.
  const EVERY_MS = 200, LEAST_DEG = 3;
  const RAD = Math.PI / 180;

  // The picture as the page drew it and as it was widened, the azimuth shown in its middle, when that was drawn, and
  // whether any reading has come.
  let original = null, widened = null, shownDeg = null, drawnMs = 0, isOn = false, isKnown = false;

  const button = () => document.getElementById("sky-turn");
  const picture = () => document.querySelector("#panels .lead .js-plotly-plot");
  const say = (words) => { document.getElementById("sky-facing").textContent = words; };
  const round = (degrees) => ((degrees % 360) + 360) % 360;

  // The azimuth, degrees, that the upper edge of the screen points to or, the steeper it is held, its back. The angles
  // are those of W3C's DeviceOrientation Event: turned about z by alpha, then x by beta, then y by gamma, from x east,
  // y north, z up. Some browsers give a heading of their own beside an alpha that counts from anywhere.
  const azimuthOf = (event) => {
    const screenDeg = (window.screen.orientation && window.screen.orientation.angle) || 0;
    const own = event.webkitCompassHeading;
    if (typeof own === "number" && own >= 0) return round(own + screenDeg);
    const isAbsolute = event.absolute || event.type === EVENTS[0];
    if (!isAbsolute || event.alpha === null || event.beta === null || event.gamma === null) return null;
    const [a, b, g, s] = [event.alpha, event.beta, event.gamma, screenDeg].map((degrees) => degrees * RAD);
    const right = [
      Math.cos(a) * Math.cos(g) - Math.sin(a) * Math.sin(b) * Math.sin(g),
      Math.sin(a) * Math.cos(g) + Math.cos(a) * Math.sin(b) * Math.sin(g),
    ];
    const top = [-Math.sin(a) * Math.cos(b), Math.cos(a) * Math.cos(b)];
    const back = [
      -Math.cos(a) * Math.sin(g) - Math.sin(a) * Math.sin(b) * Math.cos(g),
      -Math.sin(a) * Math.sin(g) + Math.cos(a) * Math.sin(b) * Math.cos(g),
    ];
    const [east, north] = [0, 1].map((k) => Math.sin(s) * right[k] + Math.cos(s) * top[k] + back[k]);
    return round(Math.atan2(east, north) / RAD);
  };

  // --- the picture ---

  // The layout turned: the compass under the picture, the words in it, and a line that says what is ahead.
  const turned = (azimuthDeg) => {
    const { layout } = original, names = layout.xaxis.ticktext.slice(0, -1), step = 360 / names.length;
    const colour = getComputedStyle(document.documentElement).getPropertyValue("--chosen").trim();
    const paper = getComputedStyle(document.documentElement).getPropertyValue("--paper").trim();
    const ticks = Array.from({ length: 2 * names.length + 1 }, (_, k) => k - names.length / 2);
    const near = (x) => azimuthDeg - 180 + round(x - azimuthDeg + 180);
    // Words near an end of the picture go inwards from there.
    const move = (note) => {
      const x = near(note.x), apartDeg = x - azimuthDeg;
      return { ...note, x, xanchor: apartDeg > 90 ? "right" : apartDeg < -90 ? "left" : note.xanchor };
    };
    const moved = (layout.annotations || []).map((note) => (note.xref === "paper" ? note : move(note)));
    const ahead = {
      x: azimuthDeg, y: 90, yanchor: "top", text: button().dataset.ahead, showarrow: false, bgcolor: paper,
      font: { color: colour, size: 13 },
    };
    const line = {
      type: "line", xref: "x", yref: "y", x0: azimuthDeg, x1: azimuthDeg, y0: 0, y1: 90, line: { color: colour, width: 1.5 },
    };
    const xaxis = {
      ...layout.xaxis,
      range: [azimuthDeg - 180, azimuthDeg + 180],
      tickvals: ticks.map((k) => k * step),
      ticktext: ticks.map((k) => names[(k + names.length) % names.length]),
    };
    const shapes = [...(layout.shapes || []), line];
    return structuredClone({ ...layout, xaxis, shapes, annotations: [...moved, ahead], barmode: "overlay" });
  };

  // The sky once more on either side, so that it goes on past north. The server may have drawn it anew meanwhile.
  const widen = (graph) => {
    // Its height is that of the figure, which plotly does not keep once it has been drawn.
    original = { data: graph.data, layout: { ...graph.layout, height: graph._fullLayout.height } };
    const beside = [-360, 360].flatMap((by) =>
      graph.data.map((trace, k) => ({ ...trace, x: Array.from(graph._fullData[k].x, (x) => (x === null ? null : x + by)) })));
    widened = [...beside, ...graph.data];
  };

  const show = (azimuthDeg) => {
    const graph = picture();
    if (!graph || !graph.layout || !graph.layout.xaxis || !graph.layout.xaxis.ticktext) return;
    const isNew = graph.data !== widened;
    const apart = shownDeg === null ? 360 : Math.abs(round(azimuthDeg - shownDeg + 180) - 180);
    if (!isNew && (apart < LEAST_DEG || Date.now() - drawnMs < EVERY_MS)) return;
    shownDeg = azimuthDeg;
    drawnMs = Date.now();
    if (isNew) widen(graph);
    const names = original.layout.xaxis.ticktext.slice(0, -1);
    const name = names[Math.round(azimuthDeg / (360 / names.length)) % names.length];
    say(button().dataset.facing.replace("{}", `${name}, ${Math.round(azimuthDeg) % 360}°`));
    // Dash draws its own figure again where it hears of a change to the layout alone, which this is not to it.
    window.Plotly.react(graph, widened, turned(azimuthDeg));
  };

  // --- the compass ---

  const offer = (isThere) => document.documentElement.classList.toggle("has-compass", isThere);

  const heard = (event) => {
    const azimuthDeg = azimuthOf(event);
    if (!button()) {
      stop(); // another page
    } else if (azimuthDeg !== null) {
      isKnown = true;
      show(azimuthDeg);
    } else if (event.alpha === null && !isKnown) {
      stop();
      say(button().dataset.none);
      offer(false);
    }
  };

  const stop = () => {
    EVENTS.forEach((name) => window.removeEventListener(name, heard));
    isOn = false;
    const graph = picture();
    if (graph && original && graph.data === widened) window.Plotly.react(graph, original.data, original.layout);
    original = widened = shownDeg = null;
    if (!button()) return;
    button().textContent = button().dataset.turn;
    button().setAttribute("aria-pressed", "false");
    say("");
  };

  const start = async () => {
    const ask = window.DeviceOrientationEvent.requestPermission;
    if (ask) {
      const said = await ask.call(window.DeviceOrientationEvent).catch(() => "denied");
      if (said !== "granted") {
        say(button().dataset.refused);
        return;
      }
    }
    isOn = true;
    button().textContent = button().dataset.stop;
    button().setAttribute("aria-pressed", "true");
    EVENTS.forEach((name) => window.addEventListener(name, heard));
  };

  document.addEventListener("click", (event) => {
    if (event.target !== button() || !event.target) return;
    if (isOn) stop();
    else start();
  });

  if (window.isSecureContext && window.DeviceOrientationEvent) {
    const first = (event) => {
      if (azimuthOf(event) === null) return;
      EVENTS.forEach((name) => window.removeEventListener(name, first));
      isKnown = true;
      offer(true);
    };
    EVENTS.forEach((name) => window.addEventListener(name, first));
    offer(Boolean(window.DeviceOrientationEvent.requestPermission) && navigator.maxTouchPoints > 0);
  }
})();
