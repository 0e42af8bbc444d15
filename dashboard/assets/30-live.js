/* The Live screen: one stream in, canvas and text out. */
(function () {
  "use strict";
  const LS = window.livesense;
  /** A server that cannot be reached is said after this; one that is only late, later. */
  const GONE_MS = 1500, SILENT_MS = 3000, LATE_MS = 3000;
  /** A picture that got nothing new for so long stands; one whose figures alone are late moves on. */
  const STANDS_S = 1;
  /** A scale that is too large becomes smaller after so long: it would else follow every lull. */
  const SHRINKS_MS = 5000;
  let screen = null;

  const roundUp = (value) => LS.roundUp(value);

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
      this.facts = null;
      this.factsAt = this.dataAt = null;
      this.troubled = false;
      this.lowerSince = this.since = null;
      this.axes = { span: null, steady: null, top: null };
      this.frames = 0;
      this.fast = window.sessionStorage.getItem("livesense-fast") === "yes";
      this.tiles = new LS.Tiles(root);
      this.vectors = new LS.Vectors(document.getElementById("phasors"), document.getElementById("locus"));
      this.trend = new LS.Trend(document.getElementById("trend"));
      this.line = new LS.Line(() => this.query(), (found) => this.take(found));
      this.stopScheme = LS.onScheme(() => this.recolour());
      this.onVisible = () => (document.hidden ? this.disconnect() : this.connect());
      document.addEventListener("visibilitychange", this.onVisible);
      this.keys = new LS.LiveKeys(this);
      this.watchdog = setInterval(() => this.watch(), 250);
      this.onResize = () => this.redraw();
      window.addEventListener("resize", this.onResize);
      this.connect();
      this.begin();
    }

    /** Facts are shown as they come; the picture waits until the graph has axes. */
    async begin() {
      this.plot = await LS.graph("live-graph");
      if (!this.plot || this.ended) return;
      const sheet = this.plot.closest(".sheet");
      sheet.classList.add("live");
      const scope = new LS.Scope(this.plot, sheet.querySelector("canvas.ink"));
      await window.Plotly.relayout(this.plot, LS.paint());
      if (this.ended) return;
      // The graph is laid out anew when its box changes; the canvas follows.
      this.plot.on("plotly_afterplot", () => scope.ask());
      scope.channels = this.setup.channels;
      this.scope = scope;
      LS.onTouch(this.plot, { range: () => (this.paused && this.plot.data.length ? [...this.plot._fullLayout.xaxis.range] : null),
        follow: (from, to) => window.Plotly.relayout(this.plot, { "xaxis.range": [from, to] }), settle: () => {} });
      if (this.newest) this.present(this.newest);
    }

    /** Until there is a picture, words stand in its place and there is nothing to pause. */
    waiting(yes) {
      const sheet = document.querySelector("#picture .sheet");
      if (!sheet || sheet.classList.contains("waiting") === yes) return;
      sheet.classList.toggle("waiting", yes);
      window.dash_clientside.set_props("live-pause", { disabled: yes });
    }

    end() {
      this.ended = true;
      this.disconnect();
      this.stopScheme();
      clearInterval(this.watchdog);
      document.removeEventListener("visibilitychange", this.onVisible);
      this.keys.end();
      window.removeEventListener("resize", this.onResize);
    }

    // -- the line ------------------------------------------------------------------------------

    query() {
      const sheet = document.querySelector("#picture .sheet");
      const columns = Math.round(this.scope ? this.scope.area().width : sheet ? sheet.clientWidth : 1200);
      return `picture=${this.kind}&span=${this.span}&columns=${columns}${this.fast ? "&pace=fast" : ""}`;
    }

    /** 60 pictures a second instead of 30, for this window. */
    setFast(fast) {
      this.fast = fast;
      window.sessionStorage.setItem("livesense-fast", fast ? "yes" : "no");
      this.keys.say(fast ? "60 pictures a second." : "30 pictures a second.");
      this.connect();
    }

    redraw() {
      if (this.scope) this.scope.ask();
      this.vectors.draw();
      this.trend.draw();
    }

    connect() {
      if (!this.ended && !document.hidden) this.line.connect();
    }

    disconnect() {
      this.line.disconnect();
    }

    take(found) {
      if (found.setup) this.begun(found.setup);
      if (found.facts) this.tell(found.facts);
      if (found.trend) this.trend.tell(found.trend);
      if (found.picture) {
        if (!this.newest || found.picture.newest > this.newest.newest) this.dataAt = performance.now();
        this.newest = found.picture;
        this.tiles.reached(found.picture.newest);
        if (!this.paused) this.present(found.picture);
      }
    }

    /** What is wrong between this page and the recorder's facts, as a sentence; null when nothing is. */
    trouble() {
      const { state, silent, factsAge } = this.line;
      const last = factsAge === null ? "" : "What is below is what it had last. ";
      if (state === "refused") return { tone: "fault", text: "livesense was started again: this window\u2019s key is no longer valid.",
        advice: last + "Open the address that it printed last." };
      if (state === "gone" && silent > GONE_MS) return { tone: "fault", text: "This page gets no word from livesense.",
        advice: last + "Is `livesense serve` still running? It is tried again by itself; if it was started again, open the address that it printed." };
      if (silent > SILENT_MS && factsAge === null) return { tone: "note", text: "Waiting for livesense\u2019s first answer.",
        advice: "This computer is busy, or the logbook is slow to read." };
      if (silent > SILENT_MS) return { tone: "fault", text: `No word from livesense for ${LS.lasting(silent / 1e3)}.`,
        advice: last + "This computer is too busy, or `livesense serve` hangs." };
      if (factsAge !== null && factsAge > LATE_MS) return { tone: "warning", text: `This computer is busy: figures and events are ${LS.lasting(factsAge / 1e3)} late.`,
        advice: "What the picture shows is newer. End what else runs here." };
      return null;
    }

    watch() {
      this.line.tick();
      if (document.hidden) return;
      const trouble = this.trouble();
      // What was bad when last heard of is not made light of by being late.
      if (trouble && trouble.tone === "warning" && this.facts.sentence.tone === "fault")
        this.say(Object.assign({}, this.facts.sentence, { advice: `${trouble.text} ${trouble.advice}` }));
      else if (trouble) this.say(trouble);
      else if (this.troubled && this.facts) this.say(this.facts.sentence);
      if (Boolean(trouble) !== this.troubled) {
        this.troubled = Boolean(trouble);
        this.link();
      }
      this.ages();
    }

    /** Seconds since the newest data; counts on when nothing is heard any more. */
    age() {
      if (!this.facts || typeof this.facts.age_s !== "number") return null;
      const now = performance.now(), told = this.facts.age_s + (now - this.factsAt) / 1e3;
      const seen = this.dataAt === null || this.facts.state !== "recording" ? Infinity : (now - this.dataAt) / 1e3;
      return Math.max(0, Math.min(told, seen));
    }

    ages() {
      const age = this.age(), old = Boolean(this.facts && (this.facts.old || this.troubled));
      this.root.classList.toggle("old", old);
      this.tiles.date(old, age);
      this.stand(old, age);
      const cell = document.querySelector("#link [data-key=age]");
      if (cell) LS.write(cell, age === null ? "\u2014" : age < 1 ? "just now" : LS.lasting(age) + " ago");
    }

    // -- picture -------------------------------------------------------------------------------

    begun(setup) {
      // Every stream begins with this; the same again is no new run, and a picture that stands still stays.
      const key = JSON.stringify(setup);
      if (key === this.setupKey) return;
      this.setupKey = key;
      this.setup = setup;
      this.newest = this.shown = this.since = null;
      this.dataAt = null;
      this.axes = { span: null, steady: null, top: null };
      this.tiles.clear();
      this.vectors.clear();
      this.trend.clear();
      this.waiting(true);
      if (this.scope) {
        this.scope.channels = setup.channels;
        this.scope.clear();
        if (this.paused) {
          this.resume();
          window.dash_clientside.set_props("live-pause", { n_clicks: 0 });
        }
      }
      const title = document.getElementById("picture-name");
      const currents = setup.channels.every((c) => c.quantity === "current");
      if (title) LS.write(title, currents ? "Phase currents" : "Channels");
    }

    /** Brings the axes to the picture when it has outgrown them, then draws. */
    present(picture) {
      if (!this.scope) return;
      this.waiting(false);
      const wanted = this.wantedAxes(picture);
      if (wanted) this.relayout(wanted);
      const ms = this.axes.steady ? 1e3 : 1;
      const shift = picture.steady ? 0 : -picture.span;
      picture.ms = ms;
      picture.x0 = (picture.x0s + shift) * ms;
      picture.dx = picture.dxs * ms;
      this.shown = picture;
      this.scope.show(picture);
      this.frames += 1;
      this.caption(picture);
    }

    caption(picture) {
      LS.write(document.getElementById("live-caption"), this.captionOf(picture));
    }

    captionOf(picture) {
      if (this.paused) return `Standing still at ${LS.seconds(picture.left + picture.span, 0.01)} into the run: drag to zoom, point to read`;
      if (this.facts && this.facts.state !== "recording") return "The last that was recorded";
      if (this.since !== null) return "The newest that has come";
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
        Object.assign(changes, this.marks());
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
        if (performance.now() - this.lowerSince > SHRINKS_MS) {
          this.lowerSince = null;
          return top;
        }
      } else this.lowerSince = null;
      return this.axes.top;
    }

    marks() {
      return LS.liveMarks(this.setup.limits, this.axes.top || 0, this.paused ? null : this.since);
    }

    /** Says in the picture since when it stands, and takes that away when it moves on. */
    stand(old, age) {
      const stands = old && age !== null && (this.facts.state !== "recording" || age > STANDS_S);
      const since = !stands ? null : this.since === null ? Date.now() - age * 1e3 : this.since;
      if (since === this.since) return;
      this.since = since;
      if (!this.shown) return;
      this.relayout(this.marks());
      this.caption(this.shown);
    }

    relayout(changes) {
      window.Plotly.relayout(this.plot, changes);
    }

    recolour() {
      this.redraw();
      if (!this.scope) return;
      this.scope.refreshColours();
      this.relayout(Object.assign(LS.paint(), this.marks()));
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
      this.relayout(this.marks());
      this.plot.closest(".sheet").classList.remove("live");
      this.scope.canvas.style.visibility = "hidden";
      this.caption(picture);
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

    // -- facts ---------------------------------------------------------------------------------

    say(sentence) {
      const headline = document.getElementById("headline");
      if (!headline) return;
      headline.dataset.tone = sentence.tone;
      // Read aloud when something else is said, not at every new number.
      const gist = sentence.tone + sentence.text.replace(/[\d.,\s]+/g, "");
      if (gist !== this.gist) {
        this.gist = gist;
        LS.write(document.getElementById("aloud"), LS.plain(`${sentence.text} ${sentence.advice}`));
      }
      LS.tell(document.getElementById("say"), sentence.text);
      LS.tell(document.getElementById("advice"), sentence.advice || "\u00a0");
    }

    tell(facts) {
      this.factsAt = performance.now();
      this.facts = facts;
      this.troubled = false;
      this.say(facts.sentence);
      this.tiles.tell(facts);
      this.vectors.tell(facts.vectors);
      this.trend.happened(facts.marks || [], facts.events);
      if (this.scope) this.scope.marks = facts.marks || [];
      this.events(facts);
      this.link();
      this.ages();
      if (this.shown) this.caption(this.shown);
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
        LS.linkTo(link, LS.runPath(facts.run, Math.max(0, row.start_s - row.before_s - around), end + row.after_s + around));
        link.append(LS.el("span", "event-at", LS.seconds(row.start_s, 0.01)));
        link.append(LS.el("span", "event-what", `${row.channel}: ${row.kind}, peak ${row.peak}, limit ${row.limit}`));
        link.append(LS.el("span", "event-lasted", row.lasted));
        item.append(link);
        list.append(item);
      }
      box.replaceChildren(list);
      if (facts.event_count > facts.events.length) {
        const all = LS.el("a", "advice", `All ${facts.event_count} of this run`);
        LS.linkTo(all, LS.runPath(facts.run));
        box.append(all);
      }
    }

    link() {
      const list = document.getElementById("link"), rows = this.facts ? this.facts.link : [];
      if (list.children.length !== rows.length * 2) {
        list.replaceChildren();
        for (const row of rows) {
          const cell = LS.el("dd");
          cell.dataset.key = row.key;
          list.append(LS.el("dt", "", row.label), cell);
        }
      }
      rows.forEach((row, i) => {
        const cell = list.children[2 * i + 1];
        if (row.key === "recorder" && this.troubled) LS.write(cell, "not known now");
        else if (row.key !== "age") LS.write(cell, row.text);
        cell.classList.toggle("bad", row.bad);
      });
    }
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
      if (!screen) return "Pause";
      const paused = (clicks || 0) % 2 === 1;
      if (kind !== screen.kind || span !== screen.span) {
        screen.kind = kind;
        screen.span = span;
        screen.connect();
      }
      if (screen.scope && paused !== screen.paused) (paused ? screen.pause() : screen.resume());
      return paused ? "Go on" : "Pause";
    },
  });
})();
