/* The screen of one run: overview strip, zoom over any length, figures of what is visible. */
(function () {
  "use strict";
  const LS = window.livesense;
  const SETTLE_MS = 60;
  const FIGURES_MS = 350;
  const PIXELS_A_COLUMN = 1.5;
  const SHORTEST_S = 1e-4;

  class Run {
    constructor(root) {
      this.root = root;
      this.number = Math.trunc(Number(root.dataset.run));
      this.ended = false;
      this.plotIndex = 0;
      this.stopScheme = LS.onScheme(() => this.recolour());
      this.begin();
    }

    async begin() {
      const [answer, plot] = await Promise.all([fetch(`/api/runs/${this.number}`, { cache: "no-store" }), LS.graph("run-graph")]);
      if (!answer.ok || !plot || this.ended) return;
      this.about = await answer.json();
      this.plot = plot;
      this.strip = document.getElementById("strip");
      this.lists();
      for (const [key, move] of [["whole", () => this.whole()], ["earlier", () => this.shift(-0.5)], ["later", () => this.shift(0.5)],
        ["closer", () => this.zoom(0.5)], ["wider", () => this.zoom(2)]]) {
        document.getElementById("run-" + key).addEventListener("click", move);
      }
      this.form();
      const { from_s: from, to_s: to, plots } = this.about;
      if (!(to > from) || !plots.length) {
        LS.write(document.getElementById("run-caption"), "This run holds no samples.");
        return;
      }
      const asked = new URLSearchParams(window.location.search);
      this.from = from;
      this.to = to;
      if (asked.has("from") && asked.has("to")) [this.from, this.to] = this.within(Number(asked.get("from")), Number(asked.get("to")));
      plot.on("plotly_relayout", (change) => this.relaid(change));
      this.brush();
      this.choose(Math.max(0, plots.findIndex((p) => p.channels.some((c) => c.quantity === "current"))));
      this.onResize = () => this.drawStrip();
      window.addEventListener("resize", this.onResize);
    }

    end() {
      this.ended = true;
      this.stopScheme();
      if (this.leave) this.leave.abort();
      clearTimeout(this.settle);
      clearTimeout(this.later);
      if (this.onResize) window.removeEventListener("resize", this.onResize);
    }

    // -- what is visible -----------------------------------------------------------------------

    within(from, to) {
      const all = this.about.to_s - this.about.from_s;
      let length = Math.min(Math.max(to - from, SHORTEST_S), all);
      if (!(length > 0)) length = all;
      let start = Math.min(Math.max(from, this.about.from_s), this.about.to_s - length);
      if (!Number.isFinite(start)) start = this.about.from_s;
      return [start, start + length];
    }

    view(from, to, fromPlot) {
      [this.from, this.to] = this.within(from, to);
      if (!fromPlot || from !== this.from || to !== this.to) {
        this.quiet = true;
        window.Plotly.relayout(this.plot, { "xaxis.range": [this.from, this.to] }).then(() => (this.quiet = false));
      }
      this.drawStrip();
      this.caption();
      clearTimeout(this.settle);
      this.settle = setTimeout(() => this.fetch(), fromPlot ? SETTLE_MS : 0);
      clearTimeout(this.later);
      this.later = setTimeout(() => this.figures(), FIGURES_MS);
    }

    relaid(change) {
      if (this.quiet) return;
      const from = change["xaxis.range[0]"] ?? (change["xaxis.range"] || [])[0];
      const to = change["xaxis.range[1]"] ?? (change["xaxis.range"] || [])[1];
      if (from !== undefined && to !== undefined) this.view(Number(from), Number(to), true);
    }

    whole() { this.view(this.about.from_s, this.about.to_s); }

    shift(by) {
      const length = this.to - this.from;
      this.view(this.from + by * length, this.to + by * length);
    }

    zoom(by) {
      const middle = (this.from + this.to) / 2, half = ((this.to - this.from) * by) / 2;
      this.view(middle - half, middle + half);
    }

    caption() {
      const length = this.to - this.from, step = length / 1000;
      LS.write(document.getElementById("run-caption"),
        `${LS.seconds(this.from, step)} to ${LS.seconds(this.to, step)} (${LS.seconds(length, step)})`);
      const all = this.about.to_s - this.about.from_s;
      this.strip.setAttribute("aria-valuenow", String(Math.round((100 * (this.from - this.about.from_s)) / all)));
      this.strip.setAttribute("aria-valuetext", document.getElementById("run-caption").textContent);
    }

    // -- waveform ------------------------------------------------------------------------------

    async choose(index) {
      this.plotIndex = index;
      const chosen = this.about.plots[index];
      [...document.getElementById("run-plots").children].forEach((button, i) => button.setAttribute("aria-pressed", String(i === index)));
      const legend = document.getElementById("run-legend");
      legend.replaceChildren();
      for (const channel of chosen.channels) {
        const entry = LS.el("span");
        entry.append(LS.swatch(channel.look), LS.el("span", "", channel.name + (channel.computed ? ` (computed from ${channel.computed.join(", ")})` : "")));
        legend.append(entry);
      }
      this.held = null;
      const count = this.plot.data.length;
      if (count) await window.Plotly.deleteTraces(this.plot, [...Array(count).keys()]);
      await window.Plotly.addTraces(this.plot, chosen.channels.map((channel) => ({
        type: "scatter", mode: "lines", name: channel.plot_name, x: [], y: [], connectgaps: false,
        line: this.line(channel), hovertemplate: "%{y:.4~g}",
      })));
      await window.Plotly.relayout(this.plot, Object.assign(LS.paint(), this.marks(), {
        "xaxis.fixedrange": false, dragmode: "pan", hovermode: "x unified", "xaxis.range": [this.from, this.to],
        "xaxis.hoverformat": ".6~f", "yaxis.title.text": chosen.unit,
      }));
      this.bands = null;
      this.view(this.from, this.to);
      const whole = await this.samples(this.about.from_s, this.about.to_s, Math.max(200, Math.round(this.strip.clientWidth)));
      if (whole && this.plotIndex === index) {
        this.bands = whole;
        this.drawStrip();
      }
    }

    line(channel) {
      const look = LS.looks[channel.look];
      return { color: LS.colour(look.colour), width: look.width, dash: look.dash.map((n) => n + "px").join(",") || "solid" };
    }

    /** Limits as lines; gaps as washed stretches, so that nothing seems to be missing without a reason. */
    marks() {
      const marks = LS.limitMarks(this.about.plots[this.plotIndex].limits);
      for (const gap of this.about.gaps) {
        marks.shapes.push({ type: "rect", xref: "x", yref: "paper", x0: gap.from_s, x1: Math.max(gap.to_s, gap.from_s + 1e-9), y0: 0, y1: 1,
          layer: "below", fillcolor: LS.colour("--warn"), opacity: 0.22, line: { width: 0 } });
      }
      return marks;
    }

    async samples(from, to, columns, signal) {
      const names = this.about.plots[this.plotIndex].channels.map((c) => "name=" + encodeURIComponent(c.name)).join("&");
      const answer = await fetch(`/api/runs/${this.number}/samples?from=${from}&to=${to}&columns=${columns}&${names}`, { signal, cache: "no-store" });
      if (!answer.ok) return null;
      const buffer = await answer.arrayBuffer(), view = new DataView(buffer), length = view.getUint32(0, true);
      const about = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
      let at = 4 + length;
      const times = about.points.map((points) => { const part = new Float64Array(buffer, at, points); at += 8 * points; return part; });
      const values = about.points.map((points) => { const part = new Float32Array(buffer, at, points); at += 4 * points; return part; });
      return { times, values, reduced: about.reduced };
    }

    /** Fetches twice the visible stretch, so that a short drag finds its samples already there. */
    async fetch() {
      const began = performance.now(), length = this.to - this.from;
      const from = Math.max(this.about.from_s, this.from - length / 2), to = Math.min(this.about.to_s, this.to + length / 2);
      if (this.leave) this.leave.abort();
      this.leave = new AbortController();
      let got;
      try {
        const width = this.plot._fullLayout.xaxis._length;
        got = await this.samples(from, to, Math.round((width * (to - from)) / length / PIXELS_A_COLUMN), this.leave.signal);
      } catch (error) {
        if (error.name === "AbortError") return;
        throw error;
      }
      if (!got || this.ended) return;
      this.held = got;
      const channels = this.about.plots[this.plotIndex].channels, wide = got.reduced;
      const top = extent(got, this.from, this.to), layout = top ? { "yaxis.range": top } : {};
      this.quiet = true;
      // Traces and axis in one go: one drawing instead of two.
      await window.Plotly.update(this.plot, { x: got.times, y: got.values, opacity: wide ? 0.55 : 1,
        "line.dash": channels.map((c) => (wide ? "solid" : this.line(c).dash)) }, layout);
      this.quiet = false;
      this.zoomed = (this.zoomed || 0) + 1;
      this.zoomMs = performance.now() - began;
    }

    recolour() {
      if (!this.plot || !this.about || !this.plot.data.length) return;
      const channels = this.about.plots[this.plotIndex].channels;
      window.Plotly.restyle(this.plot, { "line.color": channels.map((c) => this.line(c).color) });
      window.Plotly.relayout(this.plot, Object.assign(LS.paint(), this.marks()));
      this.drawStrip();
    }

    // -- overview strip ------------------------------------------------------------------------

    drawStrip() {
      const canvas = this.strip.querySelector("canvas"), ratio = window.devicePixelRatio || 1;
      const width = this.strip.clientWidth, height = this.strip.clientHeight;
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
      const context = canvas.getContext("2d");
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      const { from_s: from, to_s: to } = this.about, toX = (s) => ((s - from) / (to - from)) * width;
      if (this.bands) {
        let low = Infinity, high = -Infinity;
        for (const column of this.bands.values) for (const v of column) {
          if (v < low) low = v;
          if (v > high) high = v;
        }
        const pad = (high - low) * 0.08 || 1, toY = (v) => height - ((v - low + pad) / (high - low + 2 * pad)) * height;
        // The outline of the whole run in plain ink: over hours, colours would only cover each other.
        context.strokeStyle = LS.colour("--ink-2");
        this.bands.values.forEach((column, i) => {
          context.globalAlpha = 0.5;
          context.lineWidth = 1;
          context.beginPath();
          let down = false;
          for (let n = 0; n < column.length; n += 1) {
            if (column[n] !== column[n]) { down = false; continue; }
            const x = toX(this.bands.times[i][n]), y = toY(column[n]);
            if (down) context.lineTo(x, y);
            else context.moveTo(x, y);
            down = true;
          }
          context.stroke();
        });
        context.globalAlpha = 1;
      }
      context.fillStyle = LS.colour("--warn");
      for (const gap of this.about.gaps) context.fillRect(toX(gap.from_s), 0, Math.max(1.5, toX(gap.to_s) - toX(gap.from_s)), height);
      // What is not visible below is veiled; the visible stretch is framed.
      const left = toX(this.from), right = Math.max(toX(this.to), left + 3);
      context.fillStyle = LS.colour("--paper");
      context.globalAlpha = 0.66;
      context.fillRect(0, 0, left, height);
      context.fillRect(right, 0, width - right, height);
      context.globalAlpha = 1;
      context.strokeStyle = LS.colour("--ink");
      context.lineWidth = 2;
      context.strokeRect(left, 1, right - left, height - 2);
      const step = (to - from) / 1000;
      LS.write(document.getElementById("strip-from"), LS.seconds(from, step));
      LS.write(document.getElementById("strip-to"), LS.seconds(to, step));
    }

    /** Drag inside the frame to move it, outside to draw a new one; arrows, plus, minus, Home and End do the same. */
    brush() {
      const strip = this.strip, { from_s: from, to_s: to } = this.about;
      const at = (event) => {
        const box = strip.getBoundingClientRect();
        return from + ((event.clientX - box.left) / box.width) * (to - from);
      };
      let drag = null;
      strip.addEventListener("pointerdown", (event) => {
        const here = at(event);
        const inside = here >= this.from && here <= this.to && this.to - this.from < 0.98 * (to - from);
        drag = inside ? { grip: here - this.from } : { start: here };
        strip.setPointerCapture(event.pointerId);
      });
      strip.addEventListener("pointermove", (event) => {
        if (!drag) return;
        const here = at(event);
        if (drag.grip !== undefined) this.view(here - drag.grip, here - drag.grip + this.to - this.from, false);
        else if (Math.abs(here - drag.start) > (to - from) / 500) this.view(Math.min(here, drag.start), Math.max(here, drag.start), false);
      });
      for (const over of ["pointerup", "pointercancel"]) strip.addEventListener(over, () => (drag = null));
      strip.addEventListener("keydown", (event) => {
        const moves = { ArrowLeft: () => this.shift(-0.1), ArrowRight: () => this.shift(0.1), ArrowUp: () => this.zoom(0.5), ArrowDown: () => this.zoom(2),
          "+": () => this.zoom(0.5), "-": () => this.zoom(2), PageUp: () => this.shift(-1), PageDown: () => this.shift(1),
          Home: () => this.view(from, from + this.to - this.from), End: () => this.view(to - this.to + this.from, to), Escape: () => this.whole() };
        if (!moves[event.key]) return;
        event.preventDefault();
        moves[event.key]();
      });
    }

    // -- figures, gaps, notes ------------------------------------------------------------------

    async figures() {
      const box = document.getElementById("run-figures");
      if (this.leaveFigures) this.leaveFigures.abort();
      this.leaveFigures = new AbortController();
      let answer;
      try {
        answer = await fetch(`/api/runs/${this.number}/figures?from=${this.from}&to=${this.to}`, { signal: this.leaveFigures.signal, cache: "no-store" });
        if (!answer.ok) return box.replaceChildren(LS.el("p", "advice", await answer.text()));
        const found = await answer.json();
        if (!this.ended) this.table(box, found);
      } catch (error) {
        if (error.name !== "AbortError") throw error;
      }
    }

    table(box, found) {
      if (found.withheld) return box.replaceChildren(LS.el("p", "advice", found.withheld));
      const table = LS.el("table"), head = LS.el("tr"), body = LS.el("tbody"), thead = LS.el("thead");
      const step = (found.to_s - found.from_s) / 1000;
      table.append(LS.el("caption", "", `Measured from ${LS.seconds(found.from_s, step)} to ${LS.seconds(found.to_s, step)}; ± is the expanded uncertainty (k = 2)`));
      for (const title of ["Channel", ...found.columns]) {
        const cell = LS.el("th", "", title);
        cell.setAttribute("scope", "col");
        head.append(cell);
      }
      thead.append(head);
      table.append(thead);
      for (const row of found.rows) {
        const line = LS.el("tr"), name = LS.el("th", "", row.name);
        name.setAttribute("scope", "row");
        line.append(name);
        row.cells.forEach((cell) => line.append(quantity("td", cell)));
        body.append(line);
      }
      table.append(body);
      const list = LS.el("dl");
      for (const row of found.together) {
        const pair = LS.el("div");
        pair.append(LS.el("dt", "", row.label), quantity("dd", row));
        list.append(pair);
      }
      box.replaceChildren(table, list);
    }

    lists() {
      const plots = document.getElementById("run-plots");
      this.about.plots.forEach((plot, i) => {
        const button = LS.el("button", "choice", plot.title);
        button.type = "button";
        button.setAttribute("aria-pressed", "false");
        button.addEventListener("click", () => this.choose(i));
        plots.append(button);
      });
      const gaps = document.getElementById("run-gaps");
      if (!this.about.gap_count) gaps.append(LS.el("p", "why", "None: every scan that was counted is stored."));
      for (const gap of this.about.gaps.slice(0, 50)) {
        const line = LS.el("p"), count = gap.count === null ? "an unknown number of scans" : `${gap.count} scans`;
        line.append(LS.el("span", "at", LS.seconds(gap.from_s, 0.001)), document.createTextNode(`${count} not stored, cause: ${gap.cause}`));
        gaps.append(line);
      }
      if (this.about.gap_count > 50) gaps.append(LS.el("p", "why", `and ${this.about.gap_count - 50} more`));
      this.notes(this.about.notes);
    }

    notes(rows) {
      const box = document.getElementById("run-notes");
      box.replaceChildren();
      if (!rows.length) box.append(LS.el("p", "why", "None."));
      for (const row of rows) {
        const line = LS.el("p");
        line.append(LS.el("span", "at", row.at_s === null ? "" : LS.seconds(row.at_s, 0.01)), document.createTextNode(row.text));
        box.append(line);
      }
    }

    form() {
      const field = document.getElementById("note-text"), button = document.getElementById("note-add");
      if (!field || !button) return;
      field.addEventListener("keydown", (event) => event.key === "Enter" && button.click());
      button.addEventListener("click", async () => {
        const text = field.value.trim();
        if (!text) return;
        const answer = await fetch(`/api/runs/${this.number}/notes`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ text }) });
        LS.write(document.getElementById("aloud"), answer.ok ? "Note handed to the recorder." : await answer.text());
        if (!answer.ok) return;
        window.dash_clientside.set_props("note-text", { value: "" });
        // The recorder writes it within a moment; look until it is there.
        for (let turn = 0; turn < 20 && !this.ended; turn += 1) {
          await new Promise((resolve) => setTimeout(resolve, 150));
          const again = await fetch(`/api/runs/${this.number}`, { cache: "no-store" });
          const rows = again.ok ? (await again.json()).notes : [];
          if (rows.length > this.about.notes.length) {
            this.about.notes = rows;
            return this.notes(rows);
          }
        }
      });
    }
  }

  function quantity(tag, cell) {
    if (cell.value === null) return LS.el(tag, "none", cell.withheld);
    const element = LS.el(tag, "", cell.value);
    element.append(LS.el("small", "", ` ${LS.spread(cell.expanded)} ${cell.unit}`));
    return element;
  }

  function extent(got, from, to) {
    let low = Infinity, high = -Infinity;
    got.values.forEach((column, channel) => {
      const times = got.times[channel];
      for (let i = 0; i < column.length; i += 1) {
        if (times[i] < from || times[i] > to) continue;
        if (column[i] < low) low = column[i];
        if (column[i] > high) high = column[i];
      }
    });
    if (low > high) return null;
    const pad = (high - low) * 0.06 || Math.max(Math.abs(high) * 0.06, 0.01);
    return [low - pad, high + pad];
  }

  let screen = null;
  LS.screen("run", (root) => {
    screen = LS.run = new Run(root);
    return () => {
      screen.end();
      screen = LS.run = null;
    };
  });

  /** Shows an event with what led to it and what followed. */
  LS.showEvent = function (row) {
    if (!screen || !screen.about) return;
    const end = row.end_s === null ? row.start_s + 0.2 : row.end_s;
    const around = Math.max(0.02, 0.25 * (end - row.start_s));
    screen.view(row.start_s - around, end + around);
    document.getElementById("waveform").scrollIntoView({ block: "start", behavior: "smooth" });
  };
})();
