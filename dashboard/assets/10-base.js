/* What every screen's script uses: starting and stopping with its screen, text, colours, going places. */
(function () {
  "use strict";
  const LS = (window.livesense = window.livesense || {});
  const starters = {};
  const running = new Map();

  // Times that the server writes are those of whoever looks, who may sit in another zone (clock.py).
  document.cookie = `livesense_zone=${Intl.DateTimeFormat().resolvedOptions().timeZone}; path=/; samesite=strict`;

  /** A screen begins when an element with its name in data-screen is put into the page; begin() may return an end. */
  LS.screen = function (name, begin) {
    starters[name] = begin;
  };

  function look() {
    for (const [element, end] of running) {
      if (!element.isConnected) {
        running.delete(element);
        if (end) end();
      }
    }
    for (const element of document.querySelectorAll("[data-screen]")) {
      if (running.has(element)) continue;
      const name = element.dataset.screen;
      running.set(element, null);
      if (starters[name]) running.set(element, starters[name](element));
      arrived(name, element);
    }
  }

  let first = true;
  function arrived(name, element) {
    const heading = element.querySelector("h1");
    document.title = (heading ? heading.textContent + " · " : "") + "livesense";
    for (const [id, screens] of [["tab-live", ["live"]], ["tab-runs", ["runs", "run", "compare"]], ["tab-walk", ["walk"]],
      ["tab-record", ["record"]], ["tab-bench", ["bench"]], ["tab-bringup", ["bringup"]]]) {
      const tab = document.getElementById(id);
      if (!tab) continue;
      if (screens.includes(name)) tab.setAttribute("aria-current", "page");
      else tab.removeAttribute("aria-current");
    }
    if (!first) document.getElementById("screen").focus({ preventScroll: false });
    first = false;
  }

  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });

  /** An element with classes and text; text is never markup. */
  LS.el = function (tag, className, text) {
    const element = document.createElement(tag);
    if (className) element.className = className;
    if (text !== undefined && text !== null) element.textContent = text;
    return element;
  };

  /** Writes a text only where it differs, so that nothing is laid out for nothing. */
  LS.write = function (element, text) {
    if (element.textContent !== text) element.textContent = text;
  };

  /** The page's screens, as shell.py names them. */
  const SCREENS = { Live: "/", Record: "/record", "Bring-up": "/bringup", Walk: "/walk", Runs: "/runs", Bench: "/bench" };
  const MARKED = /`([^`]+)`|\[(Live|Record|Bring-up|Walk|Runs|Bench)\]/;

  /** What livesense says of itself: nodes of it, `commands` as code, and [Record], a screen's name, as a way there. */
  LS.words = function (text) {
    const parts = text.split(MARKED), nodes = [];
    for (let at = 0; at < parts.length; at += 3) {
      nodes.push(document.createTextNode(parts[at]));
      const code = parts[at + 1], screen = parts[at + 2];
      if (code) nodes.push(LS.el("code", "", code));
      if (!screen) continue;
      const link = LS.el("a", "", screen);
      LS.linkTo(link, SCREENS[screen]);
      nodes.push(link);
    }
    return nodes;
  };

  /** The same as text alone, as it is read aloud. */
  LS.plain = (text) => text.replace(new RegExp(MARKED, "g"), "$1$2");

  /** Writes such a text only where it differs. Words of people (names, notes) are written as they are instead. */
  LS.tell = function (element, text) {
    if (element.textContent !== LS.plain(text)) element.replaceChildren(...LS.words(text));
  };

  /** An element with such a text. */
  LS.told = function (tag, className, text) {
    const element = LS.el(tag, className);
    element.append(...LS.words(text));
    return element;
  };

  /** Colours that stand in for those of the page while a picture is made to be taken away; else null. */
  LS.colours = null;
  LS.colour = function (name) {
    if (LS.colours && LS.colours[name]) return LS.colours[name];
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  };

  LS.dark = function () {
    return document.documentElement.getAttribute("data-mantine-color-scheme") === "dark";
  };

  /** Calls back at every change between light and dark; returns how to stop. */
  LS.onScheme = function (change) {
    const watcher = new MutationObserver(change);
    watcher.observe(document.documentElement, { attributes: true, attributeFilter: ["data-mantine-color-scheme"] });
    return () => watcher.disconnect();
  };

  /** Line patterns in CSS pixels: the second cue beside colour. */
  LS.looks = [
    { colour: "--trace-0", dash: [], width: 1.6 },
    { colour: "--trace-1", dash: [9, 5], width: 1.6 },
    { colour: "--trace-2", dash: [9, 3, 2, 3], width: 1.9 },
    { colour: "--trace-3", dash: [2, 3], width: 1.9 },
  ];

  /** A short sample of a trace's line, as in the picture: of one of the looks, by number, or of another. */
  LS.swatch = function (look) {
    const { colour, dash, width } = typeof look === "number" ? Object.assign({}, LS.looks[look], { width: 3 }) : look;
    const NS = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("width", "36");
    svg.setAttribute("height", "8");
    svg.setAttribute("aria-hidden", "true");
    const line = document.createElementNS(NS, "line");
    for (const [key, value] of [["x1", 0], ["x2", 36], ["y1", 4], ["y2", 4]]) line.setAttribute(key, value);
    line.style.stroke = `var(${colour})`;
    line.style.strokeWidth = String(width);
    line.style.strokeDasharray = dash.join(" ") || "none";
    svg.append(line);
    return svg;
  };

  /** Goes to one of our own screens without loading the page anew. */
  LS.go = function (path) {
    window.history.pushState({}, "", path);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    window.scrollTo(0, 0);
  };

  LS.runPath = function (run, from, to) {
    const path = "/runs/" + Math.trunc(Number(run));
    return from === undefined ? path : `${path}?from=${Number(from).toFixed(6)}&to=${Number(to).toFixed(6)}`;
  };

  LS.linkTo = function (anchor, path) {
    anchor.setAttribute("href", path);
    anchor.onclick = (event) => {
      if (event.metaKey || event.ctrlKey || event.shiftKey || event.button) return;
      event.preventDefault();
      LS.go(path);
    };
  };

  // Dash copies every change of a layout into its own figure and draws that one, without our traces.
  const HEARD_BY_DASH = ["plotly_click", "plotly_clickannotation", "plotly_hover", "plotly_unhover", "plotly_selected",
    "plotly_deselect", "plotly_relayout", "plotly_restyle"];

  /** Resolves with Plotly's own element once the graph has axes; null when the screen went first. */
  LS.graph = function (id) {
    return new Promise((resolve) => {
      function again() {
        const box = document.getElementById(id);
        if (!box) return resolve(null);
        const plot = box.querySelector(".js-plotly-plot");
        const ready = window.Plotly && plot && plot._fullLayout && plot._fullLayout.xaxis;
        if (ready && !plot.classList.contains("dash-graph--pending")) {
          for (const name of HEARD_BY_DASH) plot.removeAllListeners(name);
          return resolve(plot);
        }
        setTimeout(again, 30);
      }
      again();
    });
  };

  /** Layout changes that give a figure the page's colours. */
  LS.paint = function () {
    const ink = LS.colour("--ink"), soft = LS.colour("--ink-2"), line = LS.colour("--line");
    const font = { color: soft, family: getComputedStyle(document.body).fontFamily, size: 13 };
    const axis = (name) => ({
      [name + ".gridcolor"]: line, [name + ".tickcolor"]: line, [name + ".zerolinecolor"]: soft,
      [name + ".tickfont"]: font, [name + ".title.font"]: font,
    });
    return Object.assign(
      { font, "hoverlabel.bgcolor": LS.colour("--raised"), "hoverlabel.bordercolor": line,
        "hoverlabel.font.color": ink, "modebar.bgcolor": "rgba(0,0,0,0)", "modebar.color": soft, "modebar.activecolor": ink },
      axis("xaxis"), axis("yaxis"));
  };

  /** ± as text: nothing for an exact value, words where it is not known. */
  LS.spread = function (expanded) {
    return expanded === "" ? "" : expanded === null ? "± not known" : `± ${expanded}`;
  };

  /** A length of time as the server writes it ("0.30 s", "3 min 05 s", "2 h 10 min"), but "4.0 s", as it counts on. */
  LS.lasting = function (seconds) {
    if (seconds < 0.0995) return `${Number((seconds * 1e3).toPrecision(3))} ms`;
    if (seconds < 1) return `${seconds.toFixed(2)} s`;
    if (seconds < 9.95) return `${seconds.toFixed(1)} s`;
    const whole = Math.round(seconds), two = (n) => String(n).padStart(2, "0");
    if (whole < 60) return `${whole} s`;
    const minutes = Math.floor(whole / 60), hours = Math.floor(minutes / 60);
    if (minutes < 60) return `${minutes} min ${two(whole % 60)} s`;
    if (hours < 48) return `${hours} h ${two(minutes % 60)} min`;
    return `${Math.floor(hours / 24)} d ${hours % 24} h`;
  };

  LS.number = function (value, digits) {
    return value.toFixed(digits).replace("-", "\u2212");
  };

  /** A time on a scale whose finest step is known: as many decimals as that step needs. */
  LS.seconds = function (value, step) {
    const digits = Math.max(0, Math.min(6, Math.ceil(-Math.log10(step))));
    return LS.number(value, digits) + " s";
  };
})();
