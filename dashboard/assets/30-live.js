/* The Live screen: one stream in, canvas and text out. */
(function () {
  "use strict";
  const LS = window.livesense;
  const OLD_MS = 1500;
  const PLACES = 4;
  const LADDER = [1, 1.5, 2, 3, 4, 5, 6, 8, 10];
  let screen = null;

  function roundUp(value) {
    const decade = Math.pow(10, Math.floor(Math.log10(value)));
    for (const step of LADDER) if (step * decade >= value * 0.9999) return step * decade;
    return 10 * decade;
  }

  class Live {
    constructor(root) {
      this.root = root;
      this.kind = "steady";
      this.span = "2";
      this.paused = false;
      this.ended = false;
      this.setup = { run: null, channels: [], limits: [] };
      this.newest = null;
      this.shown = null;
      this.factsAt = performance.now();
      this.lost = false;
      this.lowerSince = null;
      this.axes = { span: null, steady: null, top: null };
      this.frames = 0;
      this.tiles = new Map();
      this.stopScheme = LS.onScheme(() => this.recolour());
      this.onVisible = () => (document.hidden ? this.disconnect() : this.connect());
      document.addEventListener("visibilitychange", this.onVisible);
      this.onKey = (event) => this.key(event);
      document.addEventListener("keydown", this.onKey);
      this.watchdog = setInterval(() => this.watch(), 250);
      this.onResize = () => this.scope && this.scope.ask();
      window.addEventListener("resize", this.onResize);
      this.begin();
    }

    async begin() {
      this.plot = await LS.graph("live-graph");
      if (!this.plot || this.ended) return;
      const sheet = this.plot.closest(".sheet");
      sheet.classList.add("live");
      this.scope = new LS.Scope(this.plot, sheet.querySelector("canvas.ink"));
      await window.Plotly.relayout(this.plot, LS.paint());
      // The graph is laid out anew when its box changes; the canvas follows.
      this.plot.on("plotly_afterplot", () => this.scope.ask());
      this.connect();
    }

    end() {
      this.ended = true;
      this.disconnect();
      this.stopScheme();
      clearInterval(this.watchdog);
      document.removeEventListener("visibilitychange", this.onVisible);
      document.removeEventListener("keydown", this.onKey);
      window.removeEventListener("resize", this.onResize);
    }

    // -- the stream ----------------------------------------------------------------------------

    query() {
      const columns = Math.round(this.scope ? this.scope.area().width : 1200);
      return `picture=${this.kind}&span=${this.span}&columns=${columns}`;
    }

    disconnect() {
      if (this.leave) this.leave.abort();
      this.leave = null;
    }

    connect() {
      if (this.ended || document.hidden || !this.scope) return;
      this.disconnect();
      const leave = (this.leave = new AbortController());
      this.keepOn(leave.signal);
    }

    /** Stays connected until told to leave, with a growing rest between tries. */
    async keepOn(signal) {
      let rest = 250;
      while (!signal.aborted) {
        try {
          await withPlace(signal, (place) => (place ? this.follow(signal, () => (rest = 250)) : this.poll(signal)));
        } catch (error) {
          if (signal.aborted) return;
        }
        await pause(rest, signal);
        rest = Math.min(4000, rest * 2);
      }
    }

    async follow(signal, alive) {
      const answer = await fetch("/live/stream?" + this.query(), { signal, cache: "no-store" });
      if (answer.status === 503) return this.poll(signal);
      if (!answer.ok) throw new Error(String(answer.status));
      const reader = answer.body.getReader(), messages = new LS.Messages();
      for (;;) {
        const { done, value } = await reader.read();
        if (done) return;
        alive();
        this.take(messages.feed(value));
      }
    }

    /** Single answers twice a second, for windows beyond those a browser has connections for. */
    async poll(signal) {
      for (let turn = 0; turn < 20 && !signal.aborted; turn += 1) {
        const answer = await fetch("/live/now?" + this.query(), { signal, cache: "no-store" });
        if (!answer.ok) throw new Error(String(answer.status));
        this.take(new LS.Messages().feed(new Uint8Array(await answer.arrayBuffer())));
        await pause(500, signal);
      }
    }

    take(found) {
      if (found.setup) this.begun(found.setup);
      if (found.facts) this.tell(found.facts);
      if (found.picture) {
        this.newest = found.picture;
        if (!this.paused) this.present(found.picture);
      }
    }

    watch() {
      const age = performance.now() - this.factsAt;
      if (age > OLD_MS && !document.hidden && this.scope) {
        this.lost = true;
        this.say({ tone: "fault", text: "This page gets no word from livesense.",
          advice: "It shows what it had last. Is livesense serve still running? It is tried again by itself." });
        this.root.classList.add("stale");
      } else if (this.lost && age <= OLD_MS) {
        this.lost = false;
        this.root.classList.remove("stale");
      }
    }

    // -- picture -------------------------------------------------------------------------------

    async begun(setup) {
      this.setup = setup;
      this.newest = this.shown = null;
      this.axes = { span: null, steady: null, top: null };
      this.tiles.clear();
      document.getElementById("phases").replaceChildren();
      document.getElementById("tiles").replaceChildren();
      this.scope.channels = setup.channels;
      this.scope.clear();
      if (this.paused) this.resume();
      const title = document.getElementById("picture-name");
      const currents = setup.channels.every((c) => c.quantity === "current");
      if (title) LS.write(title, currents ? "Phase currents" : "Channels");
    }

    /** Brings the axes to the picture when it has outgrown them, then draws. */
    present(picture) {
      const wanted = this.wantedAxes(picture);
      if (wanted) this.relayout(wanted);
      const ms = this.axes.steady ? 1e3 : 1;
      const shift = picture.steady ? 0 : -picture.span;
      picture.x0 = (picture.x0s + shift) * ms;
      picture.dx = picture.dxs * ms;
      this.shown = picture;
      this.scope.show(picture);
      this.frames += 1;
      LS.write(document.getElementById("live-caption"), this.caption(picture));
    }

    caption(picture) {
      if (this.paused) return `Standing still at ${LS.seconds(picture.left + picture.span, 0.01)} into the run: drag to zoom, point to read`;
      if (this.over) return "The last that was recorded";
      if (picture.steady) return "Begins where phase U rises through zero";
      if (this.kind === "steady") return "Running: no even cycles of 2 Hz or more to hold still";
      return "Running";
    }

    wantedAxes(picture) {
      const changes = {};
      if (this.axes.span !== picture.span || this.axes.steady !== picture.steady) {
        this.axes.span = picture.span;
        this.axes.steady = picture.steady;
        changes["xaxis.range"] = picture.steady ? [0, picture.span * 1e3] : [-picture.span, 0];
        changes["xaxis.title.text"] = picture.steady ? "ms after phase U rises through zero" : "s before the newest sample";
      }
      const top = this.wantedTop(picture);
      if (top !== this.axes.top) {
        this.axes.top = top;
        changes["yaxis.range"] = [-top, top];
        changes["yaxis.title.text"] = this.setup.channels[0] ? this.setup.channels[0].unit : "";
        Object.assign(changes, LS.limitMarks(this.setup.limits.filter((row) => row.limit <= top)));
      }
      return Object.keys(changes).length ? changes : null;
    }

    /** Half the height: includes the lowest limit once a third of it is reached; shrinks only after a while. */
    wantedTop(picture) {
      let peak = 0;
      for (const value of picture.values) if (Math.abs(value) > peak) peak = Math.abs(value);
      const limit = this.setup.limits.length ? this.setup.limits[0].limit : Infinity;
      const full = Math.max(...this.setup.channels.map((c) => Math.max(Math.abs(c.low || 0), Math.abs(c.high || 0))), 1e-9);
      let top = roundUp(Math.max(peak * 1.12, full / 100));
      if (peak > limit / 3) top = Math.max(top, roundUp(limit * 1.1));
      if (this.axes.top === null || top > this.axes.top) {
        this.lowerSince = null;
        return peak * 1.02 <= (this.axes.top || 0) && top < this.axes.top * 1.3 ? this.axes.top : top;
      }
      if (top < this.axes.top * 0.7) {
        this.lowerSince = this.lowerSince || performance.now();
        if (performance.now() - this.lowerSince > 2000) {
          this.lowerSince = null;
          return top;
        }
      } else this.lowerSince = null;
      return this.axes.top;
    }

    relayout(changes) {
      window.Plotly.relayout(this.plot, changes);
    }

    recolour() {
      if (!this.scope) return;
      this.scope.refreshColours();
      const marks = LS.limitMarks(this.setup.limits.filter((row) => row.limit <= (this.axes.top || 0)));
      this.relayout(Object.assign(LS.paint(), marks));
      if (this.paused) window.Plotly.restyle(this.plot, { "line.color": this.traceColours() });
      this.scope.ask();
    }

    // -- pause ---------------------------------------------------------------------------------

    traceColours() {
      return this.setup.channels.map((c) => LS.colour(LS.looks[c.look].colour));
    }

    /** The canvas goes, real traces come: they can be pointed at and zoomed. */
    async pause() {
      const picture = this.shown;
      this.paused = true;
      this.root.classList.add("paused");
      if (!picture) return;
      const x = new Float64Array(picture.points);
      for (let i = 0; i < picture.points; i += 1) x[i] = picture.x0 + i * picture.dx;
      const unit = picture.steady ? "ms" : "s";
      const traces = this.setup.channels.map((channel, i) => ({
        type: "scatter", mode: "lines", name: channel.plot_name, x,
        y: picture.values.subarray(i * picture.points, (i + 1) * picture.points),
        line: { color: LS.colour(LS.looks[channel.look].colour), width: LS.looks[channel.look].width,
          dash: LS.looks[channel.look].dash.map((n) => n + "px").join(",") || "solid" },
        hovertemplate: "%{y:.3f} " + (channel.unit === "A" || channel.unit === "V" ? channel.unit : ""),
      }));
      await window.Plotly.addTraces(this.plot, traces);
      await window.Plotly.relayout(this.plot, { "xaxis.fixedrange": false, "yaxis.fixedrange": false, dragmode: "zoom",
        hovermode: "x unified", "xaxis.hoverformat": ".3f", "xaxis.ticksuffix": "", "xaxis.unifiedhovertitle.text": "%{x:.3f} " + unit });
      this.plot.closest(".sheet").classList.remove("live");
      this.scope.canvas.style.visibility = "hidden";
      LS.write(document.getElementById("live-caption"), this.caption(picture));
    }

    async resume() {
      this.paused = false;
      this.root.classList.remove("paused");
      const count = this.plot.data.length;
      if (count) await window.Plotly.deleteTraces(this.plot, [...Array(count).keys()]);
      await window.Plotly.relayout(this.plot, { "xaxis.fixedrange": true, "yaxis.fixedrange": true, dragmode: false, hovermode: false });
      this.plot.closest(".sheet").classList.add("live");
      this.scope.canvas.style.visibility = "";
      this.axes = { span: null, steady: null, top: null };
      if (this.newest) this.present(this.newest);
    }

    key(event) {
      const typing = /^(input|textarea|select)$/i.test(event.target.tagName) && event.target.type !== "radio";
      if (event.key === "p" && !typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
        const button = document.getElementById("live-pause");
        if (button) button.click();
      }
    }

    // -- facts ---------------------------------------------------------------------------------

    say(sentence) {
      const headline = document.getElementById("headline");
      if (!headline) return;
      if (headline.dataset.tone !== sentence.tone) {
        headline.dataset.tone = sentence.tone;
        // Read aloud when the tone changes, not at every new number.
        LS.write(document.getElementById("aloud"), `${sentence.text} ${sentence.advice}`);
      }
      LS.write(document.getElementById("say"), sentence.text);
      LS.write(document.getElementById("advice"), sentence.advice || "\u00a0");
    }

    tell(facts) {
      this.factsAt = performance.now();
      this.say(facts.sentence);
      this.root.classList.toggle("over", facts.state !== "recording");
      this.over = facts.state !== "recording";
      for (const row of facts.tiles) this.tile(row);
      this.events(facts);
      this.link(facts.link);
    }

    tile(row) {
      let parts = this.tiles.get(row.key);
      if (!parts) {
        parts = newTile(row);
        this.tiles.set(row.key, parts);
        document.getElementById(row.large ? "phases" : "tiles").append(parts.box);
      }
      const known = row.withheld === null;
      // Padded to the widest so far: digits keep their places while the figure passes 9.99 and back.
      // A width not needed for twenty seconds is given up.
      const whole = known ? row.value.split(".")[0].length : 0;
      if (known && (!(whole < parts.widest) || performance.now() - parts.widestAt > 20000)) {
        parts.widest = whole;
        parts.widestAt = performance.now();
      }
      LS.write(parts.number, known ? "\u2007".repeat(parts.widest - whole) + row.value : "—");
      LS.write(parts.unit, known ? row.unit : "");
      LS.write(parts.tolerance, known ? LS.spread(row.expanded) : "");
      let why = known ? "" : row.withheld, loud = false;
      if (row.clipped) {
        why = "clipped (end of its range)";
        loud = true;
      } else if (row.computed && known) why = "computed from " + row.computed.join(", ");
      LS.write(parts.why, why);
      parts.why.classList.toggle("loud", loud);
    }

    events(facts) {
      const box = document.getElementById("events");
      const key = JSON.stringify([facts.run, facts.events]);
      if (key === this.eventsKey) return;
      this.eventsKey = key;
      if (!facts.events.length) return box.replaceChildren(LS.el("p", "why", "None so far."));
      const list = LS.el("ol");
      for (const row of facts.events) {
        const item = LS.el("li"), link = LS.el("a", row.end_s === null ? "event open" : "event");
        const end = row.end_s === null ? row.start_s + 0.2 : row.end_s;
        const around = Math.max(0.02, 0.25 * (end - row.start_s));
        LS.linkTo(link, LS.runPath(facts.run, Math.max(0, row.start_s - around), end + around));
        link.append(LS.el("span", "event-at", LS.seconds(row.start_s, 0.01)));
        link.append(LS.el("span", "event-what", `${row.channel}: ${row.kind}, peak ${row.peak}, limit ${row.limit}`));
        link.append(LS.el("span", "event-lasted", row.lasted));
        item.append(link);
        list.append(item);
      }
      box.replaceChildren(list);
      const more = facts.event_count - facts.events.length;
      if (more > 0) {
        const all = LS.el("a", "advice", `and ${more} more in this run`);
        LS.linkTo(all, LS.runPath(facts.run));
        box.append(all);
      }
    }

    link(rows) {
      const list = document.getElementById("link");
      if (list.children.length !== rows.length * 2) {
        list.replaceChildren();
        for (const row of rows) list.append(LS.el("dt", "", row.label), LS.el("dd"));
      }
      rows.forEach((row, i) => {
        const cell = list.children[2 * i + 1];
        LS.write(cell, row.text);
        cell.classList.toggle("bad", row.bad);
      });
    }
  }

  function newTile(row) {
    const box = LS.el("div", row.large ? "phase" : "tile");
    const label = LS.el("div", "tile-label");
    if (row.large) label.append(LS.swatch(row.look));
    label.append(LS.el("b", "", row.label));
    if (row.large && row.name !== row.label) label.append(LS.el("span", "", row.name));
    const figure = LS.el("div", "figure"), number = LS.el("span", "number"), unit = LS.el("span", "tolerance");
    figure.append(number, unit);
    const tolerance = LS.el("div", "tolerance"), why = LS.el("div", "why");
    box.append(label, figure, tolerance, why);
    return { box, number, unit, tolerance, why };
  }

  function pause(ms, signal) {
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, ms);
      signal.addEventListener("abort", () => (clearTimeout(timer), resolve()), { once: true });
    });
  }

  /** A browser opens six connections to a host; streams of all its windows together take at most four. */
  async function withPlace(signal, use) {
    if (!navigator.locks) return use(true);
    for (let place = 0; place < PLACES; place += 1) {
      let had = false;
      await navigator.locks.request(`livesense-stream-${place}`, { ifAvailable: true }, async (lock) => {
        if (!lock || signal.aborted) return;
        had = true;
        await use(true);
      });
      if (had || signal.aborted) return;
    }
    return use(false);
  }

  LS.screen("live", (root) => {
    screen = new Live(root);
    LS.live = screen;
    return () => {
      screen.end();
      screen = LS.live = null;
    };
  });

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.livesense = Object.assign(window.dash_clientside.livesense || {}, {
    /** Called by Dash when a control changes; returns the text of the pause button. */
    liveControls(kind, span, clicks) {
      if (!screen || !screen.scope) {
        if (screen) Object.assign(screen, { kind: kind || "steady", span: span || "2" });
        return "Pause";
      }
      const paused = (clicks || 0) % 2 === 1;
      if (kind !== screen.kind || span !== screen.span) {
        screen.kind = kind;
        screen.span = span;
        screen.connect();
      }
      if (paused !== screen.paused) (paused ? screen.pause() : screen.resume());
      return paused ? "Go on" : "Pause";
    },
  });
})();
