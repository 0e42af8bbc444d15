/* Two runs side by side: overlaid samples, figures with their differences, what changed. */
(function () {
  "use strict";
  const LS = window.livesense;
  const SETTLE_MS = 60;
  /** The second lies thin and dark on the first, broad and lighter: where they agree both are seen, in grey as well. */
  const LOOKS = [{ colour: "--below", dash: [], width: 5, words: "broad" }, { colour: "--ink", dash: [7, 5], width: 1.6, words: "thin, dashed" }];
  /** From afar its columns fill a band, which must not look higher than it is. */
  const BAND_PX = 3;
  const ROLES = [["thead, tbody", "rowgroup"], ["tr", "row"], ["td", "cell"], ["thead th", "columnheader"], ["tbody th", "rowheader"]];
  const SPANS = { crossing: [-0.002, 0.02], start: [-0.2, 3], event: [-0.05, 0.2], begin: [0, 10] };

  class Compare {
    constructor(root) {
      this.root = root;
      this.runs = [root.dataset.first, root.dataset.second].map((n) => Math.trunc(Number(n)));
      this.ended = false;
      this.stopScheme = LS.onScheme(() => this.draw());
      this.begin();
    }

    end() {
      this.ended = true;
      this.stopScheme();
      clearTimeout(this.settle);
      if (this.leave) this.leave.abort();
    }

    async begin() {
      const swap = document.getElementById("compare-swap");
      swap.addEventListener("click", () => LS.go(`/compare/${this.runs[1]}/${this.runs[0]}`));
      const [answer, plot] = await Promise.all([this.ask(), LS.graph("compare-graph")]);
      if (!answer || this.ended) return;
      this.told = answer;
      this.words();
      this.tables();
      if (plot && answer.channels.length) this.beginPicture(plot);
    }

    async ask() {
      try {
        const answer = await fetch(`/api/compare/${this.runs[0]}/${this.runs[1]}`, { cache: "no-store" });
        if (answer.ok) return await answer.json();
        this.say("These two cannot be compared.", `${await answer.text()} Choose two others on [Runs].`);
      } catch {
        this.say("These two cannot be compared now.", "The page's server does not answer: is `livesense serve` still running?");
      }
      return null;
    }

    say(text, advice) {
      LS.write(document.getElementById("compare-say"), text);
      LS.tell(document.getElementById("compare-advice"), advice || "\u00a0");
    }

    words() {
      const { first, second, matched, why_not: why, pairs, changed } = this.told;
      const one = (side) => `run ${side.run}${side.name ? ` \u201c${side.name}\u201d` : ""}, ${LS.seconds(side.from_s, 0.01)} to ${LS.seconds(side.to_s, 0.01)}: ${side.state}`;
      const apart = pairs.filter((pair) => pair.rows.some((row) => row.differs && row.verdict));
      const names = apart.map((pair) => pair.of).join(", ");
      // What is alike at rest says nothing of how they run.
      const rest = first.state === "at rest" && second.state === "at rest";
      this.say(
        !matched ? "Speed and current are not alike: figures under load are left out."
          : apart.length ? `${rest ? "At rest they" : "They"} differ by more than is known of them: ${names}.`
            : rest ? "At rest they are alike within what is known of them; under load they were not compared."
              : "Within what is known of them, they are alike.",
        `First: ${one(first)}. Second: ${one(second)}. ${matched ? "" : why + ". "}`
          + (changed.length ? `${changed.length} written thing${changed.length > 1 ? "s" : ""} changed between them.` : "Nothing that is written down changed."));
    }

    // -- tables --------------------------------------------------------------------------------

    tables() {
      const { pairs, changed, conditions, band } = this.told;
      document.getElementById("compare-pairs").replaceChildren(
        LS.el("p", "advice", `± is the expanded uncertainty (k = 2); ${band}. The difference is the second less the first, with what both share taken out.`),
        ...pairs.map((pair) => {
          const box = LS.el("div", "compare-pair");
          box.append(LS.el("h3", "", pair.of), LS.el("p", "advice", pair.sentence), this.table(["Figure", "First", "Second", "Difference", ""], pair.rows, `Figures of ${pair.of}`));
          return box;
        }));
      const list = document.getElementById("compare-changed");
      list.replaceChildren(changed.length ? this.plain(["What", "First", "Second"], changed.map((row) => [row.what, row.first, row.second]), "Table of what changed")
        : LS.el("p", "advice", "Nothing that is written down: board, firmware, bench file and calibrations are the same."));
      document.getElementById("compare-conditions").replaceChildren(
        conditions.length ? this.table(["Condition", "First", "Second", "Difference", ""], conditions, "Table of the conditions") : LS.el("p", "advice", "None that both runs measured."));
    }

    table(head, rows, label) {
      const lines = rows.map((row) => [row.label, ...row.cells, row.verdict]);
      const scroll = this.plain(head, lines, label);
      rows.forEach((row, i) => { if (row.differs && row.verdict) scroll.querySelectorAll("tbody tr")[i].classList.add("differs"); });
      return scroll;
    }

    plain(head, lines, label) {
      const scroll = LS.el("div", "run-figures run-scroll compare-table"), table = LS.el("table"), body = LS.el("tbody"), top = LS.el("tr"), first = LS.el("thead");
      for (const [key, value] of [["role", "region"], ["tabindex", "0"], ["aria-label", label]]) scroll.setAttribute(key, value);
      for (const text of head) {
        const cell = text ? LS.el("th", "", text) : LS.el("td");
        if (text) cell.setAttribute("scope", "col");
        top.append(cell);
      }
      first.append(top);
      for (const line of lines) {
        const tr = LS.el("tr"), name = LS.el("th", "", line[0]);
        name.setAttribute("scope", "row");
        tr.append(name, ...line.slice(1).map((text, i) => this.cell(head[i + 1], text)));
        body.append(tr);
      }
      table.append(first, body);
      scroll.append(table);
      // Said outright: some browsers forget that it is a table where a narrow screen lays it out as blocks.
      table.setAttribute("role", "table");
      for (const [what, role] of ROLES) for (const node of table.querySelectorAll(what)) node.setAttribute("role", role);
      return scroll;
    }

    /** A cell that can stand alone: narrow screens show the word of its column beside it, and no head. */
    cell(of, text) {
      const cell = LS.el("td", "");
      if (!text) return cell;
      const word = LS.el("span", "compare-of", of || "");
      word.setAttribute("aria-hidden", "true");
      if (of) cell.append(word);
      cell.append(LS.el("span", "", text));
      return cell;
    }

    // -- picture -------------------------------------------------------------------------------

    beginPicture(plot) {
      this.plot = plot;
      this.base = structuredClone(plot.layout);
      const { channels, alignments } = this.told;
      this.choices("compare-channels", channels.slice(0, 8).map((c) => c.name), (i) => { this.channel = channels[i]; this.fetch(); });
      this.choices("compare-align", alignments.map((a) => a.label), (i) => this.align(alignments[i]));
      for (const [key, move] of [["earlier", () => this.shift(-0.5)], ["later", () => this.shift(0.5)], ["closer", () => this.zoom(0.5)], ["wider", () => this.zoom(2)]])
        document.getElementById("compare-" + key).addEventListener("click", move);
      plot.on("plotly_relayout", (change) => this.relaid(change));
      LS.onWheel(plot, (by, event) => this.zoom(by, LS.partOfAxis(plot, event.clientX)));
      LS.onTouch(plot, { range: () => (this.got ? [this.from, this.to] : null), follow: (from, to) => this.follow(from, to), settle: (from, to) => this.view(from, to) });
      this.channel = channels[0];
      this.align(alignments[0]);
    }

    choices(id, texts, chosen) {
      const box = document.getElementById(id);
      const buttons = texts.map((text, i) => {
        const button = LS.el("button", "choice", text);
        button.type = "button";
        button.setAttribute("aria-pressed", String(i === 0));
        button.addEventListener("click", () => {
          buttons.forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
          chosen(i);
        });
        return button;
      });
      box.replaceChildren(...buttons);
    }

    align(alignment) {
      this.alignment = alignment;
      [this.from, this.to] = SPANS[alignment.key];
      const hz = this.told.first.state.match(/^([\d.]+) Hz/);
      // About three cycles of the state that is compared.
      if (alignment.key === "crossing" && hz) [this.from, this.to] = [-0.25 / Number(hz[1]), 3 / Number(hz[1])];
      this.fetch();
    }

    shift(by) { this.view(this.from + by * (this.to - this.from), this.to + by * (this.to - this.from)); }

    /** `part` of the stretch (its middle, unless somebody points elsewhere) stays where it is. */
    zoom(by, part = 0.5) {
      const length = this.to - this.from, at = this.from + part * length;
      this.view(at - part * length * by, at + (1 - part) * length * by);
    }

    /** What is there already under moving fingers. */
    async follow(from, to) {
      [this.from, this.to] = [from, to];
      this.quiet = true;
      await window.Plotly.relayout(this.plot, { "xaxis.range": [from, to] });
      this.quiet = false;
    }

    view(from, to) {
      [this.from, this.to] = [from, to];
      clearTimeout(this.settle);
      this.settle = setTimeout(() => this.fetch(), SETTLE_MS);
    }

    relaid(change) {
      if (this.quiet) return;
      const from = change["xaxis.range[0]"] ?? (change["xaxis.range"] || [])[0], to = change["xaxis.range[1]"] ?? (change["xaxis.range"] || [])[1];
      if (from !== undefined && to !== undefined) this.view(Number(from), Number(to));
    }

    /** Samples of both around what is visible, each moved so that the chosen instants are 0. */
    async fetch() {
      if (this.leave) this.leave.abort();
      const { signal } = (this.leave = new AbortController());
      const length = this.to - this.from, columns = Math.round(this.plot._fullLayout.xaxis._length);
      const at = [this.alignment.first_s, this.alignment.second_s];
      try {
        const got = await Promise.all(this.runs.map(async (run, i) => {
          const from = at[i] + this.from - length / 4, to = at[i] + this.to + length / 4;
          const answer = await fetch(`/api/runs/${run}/samples?from=${from}&to=${to}&columns=${columns}&name=${encodeURIComponent(this.channel.name)}`,
            { signal, cache: "no-store" });
          // A stretch that lies outside one of them is no error: that run has nothing there.
          if (!answer.ok) return { x: new Float64Array(0), y: new Float32Array(0), reduced: false };
          const { times, values, reduced } = LS.readSamples(await answer.arrayBuffer());
          return { x: times[0].map((t) => t - at[i]), y: values[0], reduced };
        }));
        if (this.ended || signal.aborted) return;
        this.got = got;
        await this.draw();
        this.drawn = (this.drawn || 0) + 1;
      } catch (error) {
        if (error.name !== "AbortError") LS.write(document.getElementById("compare-caption"), "The page's server does not answer.");
      }
    }

    async draw() {
      if (!this.plot || !this.got) return;
      const paint = LS.paint(), layout = structuredClone(this.base);
      for (const [key, value] of Object.entries(paint)) put(layout, key, value);
      Object.assign(layout, { dragmode: "pan", hovermode: "x unified" });
      Object.assign(layout.xaxis, { fixedrange: false, range: [this.from, this.to], title: Object.assign({}, layout.xaxis.title, { text: "s from where they are laid over one another" }) });
      layout.yaxis.title = Object.assign({}, layout.yaxis.title, { text: this.channel.unit });
      layout.yaxis.range = this.extent();
      layout.shapes = [{ type: "line", yref: "paper", y0: 0, y1: 1, x0: 0, x1: 0, line: { color: LS.colour("--ink-2"), width: 1, dash: "2px,3px" } }];
      const names = ["first", "second"].map((key) => `run ${this.told[key].run}`), [first, second] = this.got;
      const trace = (i, name, x, y) => ({
        type: "scatter", mode: "lines", name, x, y, connectgaps: false, hovertemplate: "%{y:.4~g}",
        line: { color: LS.colour(LOOKS[i].colour), width: this.got[i].reduced ? Math.min(BAND_PX, LOOKS[i].width) : LOOKS[i].width, dash: LOOKS[i].dash.map((n) => n + "px").join(",") || "solid" },
      });
      // From afar the first is a broad band, column by column; the second its two edges on it, for a band would cover the first.
      const edges = second.reduced ? LS.edges(second) : null;
      const traces = [trace(0, names[0], first.x, first.y), ...(edges
        ? [trace(1, names[1] + ", highest", edges.x, edges.high), trace(1, names[1] + ", lowest", edges.x, edges.low)]
        : [trace(1, names[1], second.x, second.y)])];
      this.quiet = true;
      await window.Plotly.react(this.plot, traces, layout);
      this.root.querySelector(".sheet").classList.remove("waiting");
      this.quiet = false;
      const step = (this.to - this.from) / 1000;
      LS.write(document.getElementById("compare-caption"), `${this.channel.name}: ${LS.seconds(this.from, step)} to ${LS.seconds(this.to, step)}`);
      this.legend();
    }

    extent() {
      let low = Infinity, high = -Infinity;
      for (const { x, y } of this.got) for (let i = 0; i < y.length; i += 1) {
        if (x[i] < this.from || x[i] > this.to || y[i] !== y[i]) continue;
        low = Math.min(low, y[i]);
        high = Math.max(high, y[i]);
      }
      if (low > high) return [-1, 1];
      const pad = (high - low) * 0.06 || Math.max(Math.abs(high) * 0.06, 0.01);
      return [low - pad, high + pad];
    }

    legend() {
      const entries = ["first", "second"].map((key, i) => {
        const entry = LS.el("span"), side = this.told[key], link = LS.el("a", "", `Run ${side.run}`);
        LS.linkTo(link, LS.runPath(side.run, Math.max(0, this.alignment[key + "_s"] + this.from), this.alignment[key + "_s"] + this.to));
        entry.append(LS.swatch(LOOKS[i]), link, document.createTextNode(`${key}: ${LOOKS[i].words}${i && this.got[i].reduced ? ", highest and lowest" : ""}`));
        if (!this.got[i].x.length) entry.append(document.createTextNode("\u00b7 nothing there"));
        return entry;
      });
      document.getElementById("compare-legend").replaceChildren(...entries);
    }
  }

  /** Two points a column, as `/samples` sends them reduced, as one point each of an upper and a lower edge. */
  LS.edges = function ({ x, y }) {
    const edges = { x: [], low: [], high: [] };
    for (let i = 0; i < y.length; i += 1) {
      const paired = i + 1 < y.length && y[i] === y[i] && y[i + 1] === y[i + 1];
      edges.x.push(paired ? (x[i] + x[i + 1]) / 2 : x[i]);
      edges.low.push(paired ? Math.min(y[i], y[i + 1]) : y[i]);
      edges.high.push(paired ? Math.max(y[i], y[i + 1]) : y[i]);
      if (paired) i += 1;
    }
    return edges;
  };

  function put(layout, path, value) {
    const keys = path.split("."), last = keys.pop();
    let node = layout;
    for (const key of keys) node = node[key] = Object.assign({}, node[key]);
    node[last] = value;
  }

  LS.screen("compare", (root) => {
    const screen = (LS.compare = new Compare(root));
    return () => {
      screen.end();
      LS.compare = null;
    };
  });
})();
