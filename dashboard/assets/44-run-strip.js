/* The strip that shows a whole run in outline and which stretch of it stands below. */
(function () {
  "use strict";
  const LS = window.livesense;

  const LANE = 16, MOST_NOTES = 500, NEAR_PX = 3, HATCH_PX = 6;

  /** What followed a recorder's last scan: hatched, with a line where it lies. */
  function unknown(context, left, right, height) {
    context.save();
    context.strokeStyle = context.fillStyle = LS.colour("--fault");
    context.fillRect(left, 0, 2, height);
    context.beginPath();
    context.rect(left, 0, right - left, height);
    context.clip();
    context.lineWidth = 1.2;
    context.beginPath();
    for (let x = left - height; x < right; x += HATCH_PX) {
      context.moveTo(x, height);
      context.lineTo(x + height, 0);
    }
    context.stroke();
    context.restore();
  }

  LS.RunStrip = class {
    constructor(run, box) {
      this.run = run;
      this.box = box;
      this.bands = null;
      this.brush();
      box.addEventListener("keydown", (event) => this.key(event));
    }

    get width() { return this.box.clientWidth; }

    /** What is said of the shown stretch to those who do not see it. */
    tell(text) {
      const { from_s: from } = this.run.about, to = this.run.end;
      this.box.setAttribute("aria-valuenow", String(Math.round((100 * (this.run.from - from)) / (to - from))));
      this.box.setAttribute("aria-valuetext", text);
    }

    draw() {
      const canvas = this.box.querySelector("canvas"), ratio = window.devicePixelRatio || 1;
      const width = this.box.clientWidth, height = this.box.clientHeight;
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
      const context = canvas.getContext("2d");
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      const { from_s: from, to_s: last } = this.run.about, to = this.run.end, toX = (s) => ((s - from) / (to - from)) * width;
      if (this.bands) this.outline(context, toX, height);
      for (const { kind, from_s: begin, to_s: end } of this.run.about.interruptions.rows) {
        if (kind === "died") continue;
        context.fillStyle = LS.colour(kind === "gap" ? "--warn" : kind === "outage" ? "--fault" : "--ink");
        context.globalAlpha = kind === "outage" ? 0.4 : 1;
        context.fillRect(toX(begin), 0, Math.max(1.5, toX(end) - toX(begin)), height);
      }
      context.globalAlpha = 1;
      this.happened(context, toX, height);
      this.frame(context, toX(this.run.from), toX(this.run.to), width, height);
      if (this.run.lastScan) unknown(context, toX(this.run.lastScan.from_s), width, height);
      const { found } = this.run;
      context.fillStyle = LS.colour("--ink");
      if (found) context.fillRect(toX(found.from_s), height - 5, Math.max(3, toX(found.to_s) - toX(found.from_s)), 5);
      const step = (to - from) / 1000;
      LS.write(document.getElementById("strip-from"), LS.seconds(from, step));
      LS.write(document.getElementById("strip-to"), `${LS.seconds(last, step)}${to > last ? ", then unknown" : ""}`);
    }

    /** Stretches in a lane at the top, each kind in its shape; events as ticks below it, notes as feet. */
    happened(context, toX, height) {
      const { stretches, about } = this.run, ink = LS.colour("--ink-2");
      for (const row of stretches ? stretches.marks : []) {
        const x = toX(row.from_s), width = Math.max(1, toX(row.to_s) - x - 1);
        context.fillStyle = row.fault ? LS.colour("--fault") : ink;
        context.globalAlpha = row.kind === "standstill" ? 0.15 : row.kind === "steady" ? 0.85 : 0.5;
        context.beginPath();
        const [left, right] = row.kind === "start" ? [LANE - 2, 2] : row.kind === "braking" ? [2, LANE - 2] : [2, 2];
        context.moveTo(x, LANE);
        context.lineTo(x, left);
        context.lineTo(x + width, right);
        context.lineTo(x + width, LANE);
        context.fill();
        context.globalAlpha = 1;
        context.font = "11px " + getComputedStyle(document.body).fontFamily;
        if (row.kind !== "steady" || context.measureText(row.word).width + 8 > width) continue;
        context.fillStyle = LS.colour("--paper");
        context.textBaseline = "middle";
        context.textAlign = "left";
        context.fillText(row.word, x + 4, LANE / 2 + 1.5);
      }
      context.fillStyle = LS.colour("--limit");
      for (const row of this.events || []) {
        const x = toX(row.start_s), end = row.end_s === null ? about.to_s : row.end_s;
        context.fillRect(x, LANE + 3, Math.max(2, toX(end) - x), 7);
      }
      context.fillStyle = LS.colour("--ink");
      for (const row of about.notes.filter((one) => one.at_s !== null).slice(-MOST_NOTES)) {
        const x = toX(row.at_s);
        context.beginPath();
        context.moveTo(x - 4, height);
        context.lineTo(x + 4, height);
        context.lineTo(x, height - 7);
        context.fill();
      }
    }

    /** The whole run in plain ink: over hours, colours would only cover each other. */
    outline(context, toX, height) {
      let low = Infinity, high = -Infinity;
      for (const column of this.bands.values) for (const v of column) {
        if (v < low) low = v;
        if (v > high) high = v;
      }
      const pad = (high - low) * 0.08 || 1, toY = (v) => height - ((v - low + pad) / (high - low + 2 * pad)) * (height - LANE);
      context.strokeStyle = LS.colour("--ink-2");
      context.globalAlpha = 0.5;
      context.lineWidth = 1;
      this.bands.values.forEach((column, i) => {
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

    /** What is not visible below is veiled; the visible stretch is framed. */
    frame(context, left, right, width, height) {
      const end = Math.max(right, left + 3);
      context.fillStyle = LS.colour("--paper");
      context.globalAlpha = 0.66;
      context.fillRect(0, 0, left, height);
      context.fillRect(end, 0, width - end, height);
      context.globalAlpha = 1;
      context.strokeStyle = LS.colour("--ink");
      context.lineWidth = 2;
      context.strokeRect(left, 1, end - left, height - 2);
    }

    /** What interrupted the run where somebody points, within some pixels; nothing elsewhere. */
    words(at) {
      const { about, end, lastScan } = this.run, near = (NEAR_PX * (end - about.from_s)) / this.width;
      const row = about.interruptions.rows.find((one) => (one.kind !== "died" || one === lastScan) && at >= one.from_s - near
        && at <= (one === lastScan ? end : one.to_s) + near);
      return row ? `${LS.seconds(row.from_s, 0.001)}: ${row.text}` : "";
    }

    /** Drag inside the frame to move it, outside to draw a new one. */
    brush() {
      const { box, run } = this;
      const at = (event) => {
        const place = box.getBoundingClientRect(), { from_s: from } = run.about, to = run.end;
        return from + ((event.clientX - place.left) / place.width) * (to - from);
      };
      let drag = null;
      box.addEventListener("pointermove", (event) => (box.title = this.words(at(event))));
      box.addEventListener("pointerdown", (event) => {
        const here = at(event), all = run.end - run.about.from_s;
        const inside = here >= run.from && here <= run.to && run.to - run.from < 0.98 * all;
        drag = Object.assign({ before: [run.from, run.to], moved: false }, inside ? { grip: here - run.from } : { start: here });
        box.setPointerCapture(event.pointerId);
      });
      box.addEventListener("pointermove", (event) => {
        if (!drag) return;
        const here = at(event), all = run.end - run.about.from_s;
        if (drag.grip === undefined && Math.abs(here - drag.start) <= all / 500) return;
        drag.moved = true;
        if (drag.grip !== undefined) run.view(here - drag.grip, here - drag.grip + run.to - run.from, false);
        else run.view(Math.min(here, drag.start), Math.max(here, drag.start), false);
      });
      box.addEventListener("pointerup", () => (drag = null));
      // A finger that went up or down after all: the browser scrolls the page, and the stretch is what it was.
      box.addEventListener("pointercancel", () => {
        if (drag && drag.moved) run.view(...drag.before, false);
        drag = null;
      });
    }

    /** Arrows, plus, minus, page keys, Home, End and Escape do what dragging does. */
    key(event) {
      const { run } = this, { from_s: from } = run.about, to = run.end;
      const moves = { ArrowLeft: () => run.shift(-0.1), ArrowRight: () => run.shift(0.1), ArrowUp: () => run.zoom(0.5), ArrowDown: () => run.zoom(2),
        "+": () => run.zoom(0.5), "-": () => run.zoom(2), PageUp: () => run.shift(-1), PageDown: () => run.shift(1),
        Home: () => run.view(from, from + run.to - run.from), End: () => run.view(to - run.to + run.from, to), Escape: () => run.whole() };
      if (!moves[event.key]) return;
      event.preventDefault();
      moves[event.key]();
    }
  };
})();
