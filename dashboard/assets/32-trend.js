/* The last minutes as strips one below the other, with notes and events where they were. */
(function () {
  "use strict";
  const LS = window.livesense;
  const LEFT = 64, RIGHT = 12, BETWEEN = 14, HEAD = 8, FOOT = 24;
  const STEPS_S = [5, 10, 15, 30, 60];

  LS.Trend = class {
    constructor(box) {
      this.box = box;
      this.canvas = box.querySelector("canvas");
      this.told = null;
      this.marks = [];
      this.events = [];
    }

    clear() {
      this.told = null;
      this.marks = this.events = [];
      this.draw();
    }

    tell(told) {
      this.told = told;
      LS.write(this.box.querySelector(".small-words"), told.text || "\u00a0");
      this.canvas.setAttribute("aria-label", told.text || "No trend yet.");
      this.draw();
    }

    happened(marks, events) {
      this.marks = marks;
      this.events = events;
    }

    draw() {
      const { context, width, height } = LS.clearCanvas(this.canvas), told = this.told;
      if (!told || !told.strips || !told.strips.length) return;
      const count = told.strips.length, each = (height - HEAD - FOOT - BETWEEN * (count - 1)) / count;
      const toX = (t) => LEFT + ((t - told.to_s + told.length_s) / told.length_s) * (width - LEFT - RIGHT);
      context.font = "12px " + getComputedStyle(document.body).fontFamily;
      this.things(context, toX, height - FOOT);
      told.strips.forEach((strip, k) => this.strip(context, strip, toX, HEAD + k * (each + BETWEEN), each, width));
      this.times(context, toX, width, height);
    }

    strip(context, strip, toX, top, height, width) {
      let low = Infinity, high = -Infinity;
      for (const line of strip.lines) for (const v of line.v) {
        if (v === null) continue;
        low = Math.min(low, v);
        high = Math.max(high, v);
      }
      low = Math.min(0, low);
      high = Math.max(0, high);
      const head = high > 0 ? LS.roundUp(high) : 0, foot = low < 0 ? -LS.roundUp(-low) : 0, span = head - foot || 1;
      const toY = (v) => top + 1 + ((head - v) / span) * (height - 2);
      context.strokeStyle = LS.colour("--line");
      context.lineWidth = 1;
      for (const v of foot < 0 && head > 0 ? [head, 0, foot] : [head, foot]) {
        context.beginPath();
        context.moveTo(LEFT, Math.round(toY(v)) + 0.5);
        context.lineTo(width - RIGHT, Math.round(toY(v)) + 0.5);
        context.stroke();
      }
      context.fillStyle = LS.colour("--ink-2");
      context.textAlign = "right";
      context.textBaseline = "middle";
      context.fillText(String(head), LEFT - 8, toY(head));
      if (foot < 0) context.fillText(String(foot).replace("-", "\u2212"), LEFT - 8, toY(foot));
      context.fillText(strip.unit, LEFT - 8, top + height / 2 + 4);
      for (const line of strip.lines) this.line(context, line, toX, toY);
    }

    line(context, line, toX, toY) {
      const look = line.look === null ? { colour: "--ink", dash: [], width: 1.6 } : LS.looks[line.look];
      context.strokeStyle = LS.colour(look.colour);
      context.lineWidth = 1.6;
      context.setLineDash(look.dash);
      context.beginPath();
      let last = null;
      line.t.forEach((t, i) => {
        const v = line.v[i];
        if (v === null) { last = null; return; }
        if (last === null || t - last > this.told.break_s) {
          context.moveTo(toX(t) - 1, toY(v));
          context.lineTo(toX(t), toY(v));
        } else context.lineTo(toX(t), toY(v));
        last = t;
      });
      context.stroke();
      context.setLineDash([]);
    }

    /** Events as washes, notes as upright lines with a foot. */
    things(context, toX, bottom) {
      const from = this.told.to_s - this.told.length_s, to = this.told.to_s;
      for (const row of this.events) {
        const end = row.end_s === null ? to : row.end_s;
        if (end < from || row.start_s > to) continue;
        context.fillStyle = LS.colour("--limit");
        context.globalAlpha = 0.35;
        const x = toX(Math.max(from, row.start_s));
        context.fillRect(x, 0, Math.max(2, toX(Math.min(end, to)) - x), bottom);
        context.globalAlpha = 1;
      }
      context.strokeStyle = LS.colour("--ink-2");
      context.fillStyle = LS.colour("--ink-2");
      for (const row of this.marks) {
        if (row.at_s < from || row.at_s > to) continue;
        const x = Math.round(toX(row.at_s)) + 0.5;
        context.setLineDash([2, 3]);
        context.beginPath();
        context.moveTo(x, 0);
        context.lineTo(x, bottom);
        context.stroke();
        context.setLineDash([]);
        context.beginPath();
        context.moveTo(x - 4, bottom);
        context.lineTo(x + 4, bottom);
        context.lineTo(x, bottom - 6);
        context.fill();
      }
    }

    times(context, toX, width, height) {
      const { length_s: length, to_s: to } = this.told;
      // As far apart as the longest of them is wide.
      const apart = length > 60 ? context.measureText("\u22124 min 45 s").width + 12 : 64;
      const step = STEPS_S.find((s) => (s / length) * (width - LEFT - RIGHT) > apart) || 60;
      context.fillStyle = LS.colour("--ink-2");
      context.textBaseline = "bottom";
      for (let back = 0; back <= length; back += step) {
        const x = toX(to - back);
        context.textAlign = back === 0 ? "right" : "center";
        const text = back === 0 ? "now" : back < 60 ? `\u2212${back} s` : back % 60 ? `\u2212${Math.floor(back / 60)} min ${back % 60} s` : `\u2212${back / 60} min`;
        context.fillText(text, x, height - 2);
      }
    }
  };
})();
