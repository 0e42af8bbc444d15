/* The screen of one run: which stretch is shown, and what has to be asked for it. */
(function () {
  "use strict";
  const LS = window.livesense;
  /** A picture whose samples take longer is stretched meanwhile; mostly they come sooner. */
  const LATE_MS = 120;
  const FIGURES_MS = 350;
  const PIXELS_A_COLUMN = 1.5;
  const SHORTEST_S = 1e-4;
  const LOOK_MS = 2000;
  const SHORT_FIGURES_S = 4.9;
  /** Where a recorder died, this share of the picture stands behind the last scan: there is something, and nobody knows what. */
  const BEYOND = 0.06;

  class Run {
    constructor(root) {
      this.root = root;
      this.number = Math.trunc(Number(root.dataset.run));
      this.ended = false;
      this.plotIndex = 0;
      this.leave = {};
      this.lists = new LS.RunLists(this);
      this.stopScheme = LS.onScheme(() => this.recolour());
      this.begin();
    }

    async begin() {
      const holdsScans = this.root.dataset.holdsScans === "yes";
      const [about, plot] = await Promise.all([this.ask(""), holdsScans ? LS.graph("run-graph") : null]);
      if (!about || this.ended) return;
      this.about = about;
      this.pictures = new LS.RunPictures(this);
      this.lists.begin();
      this.lists.write();
      if (holdsScans && plot) this.beginPicture(plot);
      if (about.recording) this.again = setTimeout(() => this.look(), LOOK_MS);
    }

    beginPicture(plot) {
      this.plot = plot;
      this.base = structuredClone(plot.layout);
      this.strip = new LS.RunStrip(this, document.getElementById("strip"));
      this.vectors = new LS.Vectors(document.getElementById("phasors"), document.getElementById("locus"));
      this.copy = new LS.RunCopy(this);
      this.stretches = new LS.RunStretches(this);
      for (const [key, move] of [["whole", () => this.whole()], ["earlier", () => this.shift(-0.5)], ["later", () => this.shift(0.5)],
        ["closer", () => this.zoom(0.5)], ["wider", () => this.zoom(2)]]) {
        document.getElementById("run-" + key).addEventListener("click", move);
      }
      const { from_s: from } = this.about;
      const asked = new URLSearchParams(window.location.search);
      [this.from, this.to] = asked.has("from") && asked.has("to") ? this.within(Number(asked.get("from")), Number(asked.get("to"))) : [from, this.end];
      plot.on("plotly_relayout", (change) => this.relaid(change));
      this.choose([...document.getElementById("run-plots").children].findIndex((b) => b.getAttribute("aria-pressed") === "true"));
      LS.onWheel(plot, (by, event) => this.zoom(by, LS.partOfAxis(plot, event.clientX)));
      LS.onTouch(plot, { range: () => [this.from, this.to], follow: (from, to) => this.follow(from, to), settle: (from, to) => this.view(from, to, true) });
      this.onResize = () => {
        this.view(this.from, this.to, false, false);
        this.vectors.draw();
      };
      window.addEventListener("resize", this.onResize);
    }

    end() {
      this.ended = true;
      this.stopScheme();
      for (const leave of Object.values(this.leave)) leave.abort();
      for (const timer of [this.settle, this.later, this.again, this.stretch]) clearTimeout(timer);
      if (this.onResize) window.removeEventListener("resize", this.onResize);
    }

    /** A route of this run as JSON; null when the run or the server did not answer, said in `trouble`. A new question of a kind ends the one before. */
    async ask(path, kind) {
      if (kind) {
        if (this.leave[kind]) this.leave[kind].abort();
        this.leave[kind] = new AbortController();
      }
      this.trouble = "";
      try {
        const answer = await fetch(`/api/runs/${this.number}${path}`, { cache: "no-store", signal: kind ? this.leave[kind].signal : undefined });
        if (answer.ok) return await answer.json();
        this.trouble = await answer.text();
      } catch (error) {
        if (error.name !== "AbortError") this.trouble = "The page's server does not answer: is `livesense serve` still running?";
      }
      return null;
    }

    /** A run that is being recorded grows; a stretch that somebody chose stays where it is. */
    async look() {
      const about = document.hidden ? null : await this.ask("");
      if (this.ended) return;
      if (about) {
        const before = this.about;
        this.about = about;
        if (this.root.dataset.holdsScans === "no" && about.to_s > about.from_s) return window.location.reload();
        LS.write(document.getElementById("run-what"), about.what);
        this.died();
        this.lists.write(before);
        if (this.plot) this.grow(before);
      } else if (this.trouble) LS.tell(document.getElementById("run-what"), this.trouble);
      if (!about || about.recording) this.again = setTimeout(() => this.look(), LOOK_MS);
    }

    /** A recorder that stopped meanwhile: when it was last heard of. */
    died() {
      const said = document.getElementById("run-last-sign");
      LS.write(said, this.about.last_sign);
      said.hidden = !this.about.last_sign;
      if (this.plot) this.describe();
    }

    /** The picture in words, for those who do not see it. */
    describe() {
      const last = this.lastScan, about = last ? `; at ${LS.seconds(last.from_s, 0.001)}: ${last.text}` : "";
      this.plot.closest(".sheet").setAttribute("aria-label", "Samples of this run against time" + about);
    }

    grow(before) {
      const short = !this.found || this.found.to_s - this.found.from_s < SHORT_FIGURES_S;
      if (this.from <= before.from_s && this.to >= before.to_s) this.view(this.about.from_s, this.end, false, short);
      else this.strip.draw();
      this.outline();
    }

    // -- what is visible -----------------------------------------------------------------------

    /** The last scan of what is shown of a run whose recorder died; undefined of others. */
    get lastScan() {
      return this.about.interruptions.rows.find((row) => row.kind === "died" && row.group === this.chosen.group);
    }

    /** Where the picture of the whole run ends. */
    get end() { return this.about.to_s + (this.lastScan ? BEYOND : 0) * (this.about.to_s - this.about.from_s); }

    within(from, to) {
      const all = this.end - this.about.from_s;
      let length = Math.min(Math.max(to - from, SHORTEST_S), all);
      if (!(length > 0)) length = all;
      let start = Math.min(Math.max(from, this.about.from_s), Math.min(this.end, this.about.to_s + (this.lastScan ? BEYOND : 0) * length) - length);
      if (!Number.isFinite(start)) start = this.about.from_s;
      return [start, start + length];
    }

    view(from, to, fromPlot, figures = true) {
      [this.from, this.to] = this.within(from, to);
      if (!fromPlot || from !== this.from || to !== this.to) {
        clearTimeout(this.stretch);
        this.stretch = setTimeout(() => this.relay(), LATE_MS);
      }
      this.strip.draw();
      this.caption();
      // Plotly tells of a drag once, when it is over: there is nothing to wait for.
      clearTimeout(this.settle);
      this.settle = setTimeout(() => this.fetch(), 0);
      if (!figures) return;
      clearTimeout(this.later);
      this.later = setTimeout(() => this.figures(), FIGURES_MS);
    }

    /** Samples that are late: what is there already is drawn to the new scale, which is one drawing more. */
    async relay() {
      this.quiet = true;
      await window.Plotly.relayout(this.plot, { "xaxis.range": [this.from, this.to] });
      this.quiet = false;
    }

    /** What is there already under moving fingers; samples for it come one request after the other. */
    async follow(from, to) {
      [this.from, this.to] = this.within(from, to);
      this.strip.draw();
      this.caption();
      if (!this.fetching) this.fetching = this.fetch().finally(() => (this.fetching = null));
      await this.relay();
    }

    relaid(change) {
      if (this.quiet) return;
      const from = change["xaxis.range[0]"] ?? (change["xaxis.range"] || [])[0];
      const to = change["xaxis.range[1]"] ?? (change["xaxis.range"] || [])[1];
      if (from !== undefined && to !== undefined) this.view(Number(from), Number(to), true);
    }

    whole() { this.view(this.about.from_s, this.end); }

    shift(by) {
      const length = this.to - this.from;
      this.view(this.from + by * length, this.to + by * length);
    }

    /** `part` of the stretch (its middle, unless somebody points elsewhere) stays where it is. */
    zoom(by, part = 0.5) {
      const length = this.to - this.from, at = this.from + part * length;
      this.view(at - part * length * by, at + (1 - part) * length * by);
    }

    /** Shows something that happened with what led to it and what followed. */
    around(from, to) {
      const around = Math.max(0.02, 0.25 * (to - from));
      this.view(from - around, to + around);
      document.getElementById("waveform").scrollIntoView({ block: "start", behavior: "smooth" });
    }

    caption() {
      const { from_s: from, to_s: to } = this.about, until = Math.min(this.to, to), length = until - this.from, step = length / 1000;
      const which = this.from <= from && this.to >= to ? "The whole run: " : "", beyond = this.to > to ? "; nothing is known of what followed" : "";
      LS.write(document.getElementById("run-caption"),
        `${which}${LS.seconds(this.from, step)} to ${LS.seconds(until, step)} (${LS.seconds(length, step)}), from ${LS.stamp((this.about.started_wall_s + this.from) * 1e3)}`);
      this.strip.tell(document.getElementById("run-caption").textContent + beyond);
    }

    // -- waveform ------------------------------------------------------------------------------

    get chosen() { return this.about.plots[this.plotIndex]; }

    choose(index) {
      this.plotIndex = index;
      this.lists.chosen(index);
      this.held = this.arranged = null;
      this.strip.bands = null;
      this.describe();
      this.view(this.from, this.to);
      this.outline();
    }

    /** The outline of the whole run for the strip. */
    async outline() {
      const index = this.plotIndex;
      const whole = await this.samples(this.about.from_s, this.about.to_s, Math.max(200, Math.round(this.strip.width)), "outline");
      if (!whole || this.ended || this.plotIndex !== index) return;
      this.strip.bands = whole;
      this.strip.draw();
    }

    async samples(from, to, columns, kind) {
      if (this.leave[kind]) this.leave[kind].abort();
      this.leave[kind] = new AbortController();
      const names = this.chosen.channels.map((c) => "name=" + encodeURIComponent(c.name)).join("&");
      try {
        const answer = await fetch(`/api/runs/${this.number}/samples?from=${from}&to=${to}&columns=${columns}&${names}`,
          { signal: this.leave[kind].signal, cache: "no-store" });
        if (answer.ok) return LS.readSamples(await answer.arrayBuffer());
        LS.write(document.getElementById("run-caption"), await answer.text());
      } catch (error) {
        if (error.name !== "AbortError") LS.write(document.getElementById("run-caption"), "The page's server does not answer.");
      }
      return null;
    }

    /** Fetches twice the visible stretch, so that a short drag finds its samples already there. */
    async fetch() {
      const began = performance.now(), length = this.to - this.from;
      const from = Math.max(this.about.from_s, this.from - length / 2), to = Math.min(this.about.to_s, this.to + length / 2);
      const width = this.plot._fullLayout.xaxis._length;
      const got = await this.samples(from, to, Math.round((width * (to - from)) / length / PIXELS_A_COLUMN), "samples");
      if (!got || this.ended) return;
      this.held = got;
      await this.draw();
      this.zoomed = (this.zoomed || 0) + 1;
      this.zoomMs = performance.now() - began;
    }

    async draw() {
      const layout = Object.assign({ "xaxis.range": [this.from, this.to] }, LS.runRanges(this), LS.runMarks(this));
      clearTimeout(this.stretch);
      const apart = LS.runApart(this);
      this.quiet = true;
      if (this.arranged === apart) {
        // Traces and axes in one go: one drawing instead of two.
        await window.Plotly.update(this.plot, { x: this.held.times, y: this.held.values }, layout);
      } else {
        this.arranged = apart;
        await window.Plotly.react(this.plot, LS.runTraces(this), LS.runLayout(this, layout));
      }
      // Only now have its axes the page's colours.
      this.plot.closest(".sheet").classList.remove("waiting");
      this.quiet = false;
    }

    recolour() {
      if (!this.plot || !this.held) return;
      this.arranged = null;
      this.draw();
      this.strip.draw();
      this.vectors.draw();
    }

    async figures() {
      // A whole run is asked for as such: one that is being recorded has grown meanwhile.
      const all = this.from <= this.about.from_s && this.to >= this.about.to_s;
      const found = await this.ask("/figures" + (all ? "" : `?from=${this.from}&to=${this.to}`), "figures");
      if (this.ended || (!found && !this.trouble)) return;
      this.found = found;
      this.lists.figures(found, this.trouble);
      this.vectors.tell(found ? found.vectors : null);
      this.stretches.look();
      this.strip.draw();
      if (this.held) {
        this.quiet = true;
        await window.Plotly.relayout(this.plot, LS.runMarks(this));
        this.quiet = false;
      }
    }
  }

  let screen = null;
  LS.screen("run", (root) => {
    screen = LS.run = new Run(root);
    return () => {
      screen.end();
      screen = LS.run = null;
    };
  });
})();
