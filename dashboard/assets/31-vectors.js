/* Phasors and the path of the current vector: two small square canvases, each with its words below. */
(function () {
  "use strict";
  const LS = window.livesense;
  const PAD = 22;
  const LADDER = [1, 1.5, 2, 3, 4, 5, 6, 8, 10];

  /** The next round length from a value on. */
  LS.roundUp = function (value) {
    if (!(value > 0)) return 1;
    const decade = Math.pow(10, Math.floor(Math.log10(value)));
    for (const step of LADDER) if (step * decade >= value * 0.9999) return step * decade;
    return 10 * decade;
  };

  /** A canvas as sharp as the screen; returns its context in CSS pixels, cleared, with width and height. */
  LS.clearCanvas = function (canvas) {
    const ratio = window.devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    return { context, width, height };
  };

  LS.Vectors = class {
    /** @param phasors, locus: boxes with a canvas and a `.small-words` each. */
    constructor(phasors, locus) {
      this.phasors = phasors;
      this.locus = locus;
      this.vectors = null;
      this.scales = {};
    }

    tell(vectors) {
      this.vectors = vectors;
      this.draw();
    }

    clear() {
      this.scales = {};
      this.tell(null);
    }

    draw() {
      const none = { rows: [], alpha: [], beta: [], text: "", why: "" };
      const { phasors = none, locus = none } = this.vectors || {};
      this.words(this.phasors, phasors, "Phasors");
      this.words(this.locus, locus, "Path of the current vector");
      this.drawPhasors(phasors);
      this.drawLocus(locus);
    }

    words(box, told, name) {
      const text = told.why ? `Withheld: ${told.why}` : told.text || "\u00a0";
      LS.write(box.querySelector(".small-words"), text);
      box.querySelector("canvas").setAttribute("aria-label", `${name}: ${text}`);
    }

    /** Round, and steady: it grows at once and shrinks only when half of it is empty. */
    scale(key, longest) {
      const now = this.scales[key], wanted = LS.roundUp(longest * 1.02);
      if (!now || longest > now || wanted < 0.5 * now) this.scales[key] = wanted;
      return this.scales[key];
    }

    frame(canvas, key, longest, unit) {
      const { context, width, height } = LS.clearCanvas(canvas), radius = Math.min(width, height) / 2 - PAD;
      const top = this.scale(key, longest), x = width / 2, y = height / 2;
      context.strokeStyle = LS.colour("--line");
      context.lineWidth = 1;
      for (const part of [0.5, 1]) {
        context.beginPath();
        context.arc(x, y, radius * part, 0, 2 * Math.PI);
        context.stroke();
      }
      context.beginPath();
      context.moveTo(x - radius, y);
      context.lineTo(x + radius, y);
      context.moveTo(x, y - radius);
      context.lineTo(x, y + radius);
      context.stroke();
      context.fillStyle = LS.colour("--ink-2");
      context.font = "12px " + getComputedStyle(document.body).fontFamily;
      context.textAlign = "left";
      context.textBaseline = "bottom";
      const label = `${top} ${unit}`;
      // Beside the ring, but whole: a narrow canvas has no room for a long unit there.
      context.fillText(label, Math.min(x + radius * 0.72, width - context.measureText(label).width - 1), y + radius + 4);
      return { context, x, y, toPx: radius / top, radius };
    }

    drawPhasors(told) {
      const canvas = this.phasors.querySelector("canvas");
      if (!told.rows.length) return void LS.clearCanvas(canvas);
      const { context, x, y, toPx, radius } = this.frame(canvas, "phasors", Math.max(...told.rows.map((row) => row.rms)), told.unit);
      for (const row of told.rows) {
        const { colour, dash } = LS.looks[row.look], turn = (row.angle_deg * Math.PI) / 180;
        const length = row.rms * toPx, dx = Math.cos(turn), dy = -Math.sin(turn);
        context.strokeStyle = context.fillStyle = LS.colour(colour);
        context.lineWidth = 2;
        context.setLineDash(dash);
        context.beginPath();
        context.moveTo(x, y);
        context.lineTo(x + dx * Math.max(0, length - 6), y + dy * Math.max(0, length - 6));
        context.stroke();
        context.setLineDash([]);
        context.beginPath();
        context.moveTo(x + dx * length, y + dy * length);
        context.lineTo(x + dx * (length - 10) - dy * 4, y + dy * (length - 10) + dx * 4);
        context.lineTo(x + dx * (length - 10) + dy * 4, y + dy * (length - 10) - dx * 4);
        context.fill();
        context.fillStyle = LS.colour("--ink");
        context.font = "600 13px " + getComputedStyle(document.body).fontFamily;
        context.textAlign = "center";
        context.textBaseline = "middle";
        context.fillText(row.phase, x + dx * (radius + 11), y + dy * (radius + 11));
      }
    }

    drawLocus(told) {
      const canvas = this.locus.querySelector("canvas"), { alpha, beta } = told;
      if (!alpha.length) return void LS.clearCanvas(canvas);
      let longest = 0;
      for (let i = 0; i < alpha.length; i += 1) longest = Math.max(longest, Math.hypot(alpha[i], beta[i]));
      const { context, x, y, toPx, radius } = this.frame(canvas, "locus", longest, "A");
      context.strokeStyle = LS.colour("--ink");
      context.lineWidth = 1.4;
      context.lineJoin = "round";
      context.beginPath();
      for (let i = 0; i < alpha.length; i += 1) context.lineTo(x + alpha[i] * toPx, y - beta[i] * toPx);
      context.stroke();
      const last = alpha.length - 1;
      context.fillStyle = LS.colour("--ink");
      context.beginPath();
      context.arc(x + alpha[last] * toPx, y - beta[last] * toPx, 3, 0, 2 * Math.PI);
      context.fill();
      context.fillStyle = LS.colour("--ink-2");
      context.font = "italic 13px " + getComputedStyle(document.body).fontFamily;
      context.textAlign = "center";
      context.textBaseline = "middle";
      context.fillText("α", x + radius + 11, y);
      context.fillText("β", x, y - radius - 11);
    }
  };
})();
