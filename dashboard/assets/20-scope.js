/* A canvas that lies exactly over a Plotly graph's axes and is drawn once per animation frame. */
(function () {
  "use strict";
  const LS = window.livesense;

  LS.Scope = class {
    /** @param plot Plotly's element; @param canvas laid over it, in the same parent box. */
    constructor(plot, canvas) {
      this.plot = plot;
      this.canvas = canvas;
      this.context = canvas.getContext("2d");
      this.picture = null;
      this.channels = [];
      this.marks = [];
      this.waiting = false;
      this.drawn = 0;
      this.onDrawn = null;
      this.refreshColours();
    }

    refreshColours() {
      this.colours = LS.looks.map((look) => LS.colour(look.colour));
      this.limit = LS.colour("--limit");
      this.ink = LS.colour("--ink-2");
      this.font = "12px " + getComputedStyle(document.body).fontFamily;
    }

    /** Where Plotly's plot area lies, relative to the canvas's parent. The fields are Plotly's private ones. */
    area() {
      const { xaxis, yaxis } = this.plot._fullLayout;
      const plot = this.plot.getBoundingClientRect();
      const parent = this.canvas.parentElement.getBoundingClientRect();
      return {
        left: plot.left - parent.left + xaxis._offset, top: plot.top - parent.top + yaxis._offset,
        width: xaxis._length, height: yaxis._length,
        x: xaxis.range.map(Number), y: yaxis.range.map(Number),
      };
    }

    show(picture) {
      this.picture = picture;
      this.ask();
    }

    ask() {
      if (this.waiting) return;
      this.waiting = true;
      requestAnimationFrame(() => {
        this.waiting = false;
        if (this.canvas.isConnected) this.draw();
      });
    }

    clear() {
      this.picture = null;
      this.ask();
    }

    fit(area) {
      const ratio = window.devicePixelRatio || 1;
      const width = Math.round(area.width * ratio), height = Math.round(area.height * ratio);
      const style = this.canvas.style;
      if (this.canvas.width !== width || this.canvas.height !== height) {
        this.canvas.width = width;
        this.canvas.height = height;
        style.width = area.width + "px";
        style.height = area.height + "px";
      }
      style.display = "block";
      style.left = area.left + "px";
      style.top = area.top + "px";
      this.context.setTransform(width / area.width, 0, 0, height / area.height, 0, 0);
    }

    draw() {
      const area = this.area(), context = this.context;
      this.fit(area);
      context.clearRect(0, 0, area.width, area.height);
      const picture = this.picture;
      if (!picture) return;
      const xScale = area.width / (area.x[1] - area.x[0]), yScale = area.height / (area.y[1] - area.y[0]);
      const x0 = (picture.x0 - area.x[0]) * xScale, dx = picture.dx * xScale;
      context.lineJoin = "bevel";
      context.lineCap = "butt";
      for (let channel = 0; channel < picture.channels; channel += 1) {
        const look = this.channels[channel] ? this.channels[channel].look : 0;
        const values = picture.values.subarray(channel * picture.points, (channel + 1) * picture.points);
        const marks = picture.clipped.subarray(channel * picture.points, (channel + 1) * picture.points);
        this.clips(values, marks, x0, dx, area, yScale);
        this.trace(values, x0, dx, area, yScale, look);
      }
      this.notes(picture, area, xScale);
      this.drawn += 1;
      if (this.onDrawn) this.onDrawn(picture);
    }

    /** Notes and markers that lie within the picture: upright lines with their first words. */
    notes(picture, area, xScale) {
      const context = this.context, left = picture.x0 - picture.x0s * picture.ms;
      let until = -Infinity;
      for (const row of this.marks) {
        const into = row.at_s - picture.left;
        if (into < 0 || into > picture.span) continue;
        const x = (left + into * picture.ms - area.x[0]) * xScale;
        context.strokeStyle = context.fillStyle = this.ink;
        context.lineWidth = 1;
        context.setLineDash([2, 3]);
        context.beginPath();
        context.moveTo(x, 0);
        context.lineTo(x, area.height);
        context.stroke();
        context.setLineDash([]);
        if (x < until) continue;
        context.font = this.font;
        context.textBaseline = "bottom";
        const width = context.measureText(row.label).width, right = x + 5 + width > area.width;
        context.textAlign = right ? "right" : "left";
        context.fillText(row.label, right ? x - 5 : x + 5, area.height - 4);
        until = x + 5 + width;
      }
    }

    trace(values, x0, dx, area, yScale, look) {
      const context = this.context, { dash, width } = LS.looks[look];
      const top = area.y[1];
      context.strokeStyle = this.colours[look];
      context.lineWidth = width;
      const period = dash.reduce((sum, part) => sum + part, 0);
      context.beginPath();
      let lastX = 0, lastY = 0, down = false;
      for (let i = 0; i < values.length; i += 1) {
        const x = x0 + i * dx, value = values[i];
        if (value !== value) {
          down = false;
          continue;
        }
        const y = (top - value) * yScale;
        if (!down || period === 0) {
          if (down) context.lineTo(x, y);
          else context.moveTo(x, y);
        } else dashed(context, lastX, lastY, x, y, dash, period);
        lastX = x;
        lastY = y;
        down = true;
      }
      context.stroke();
    }

    /** Thick bars where samples stood at the end of what the chain can read. */
    clips(values, marks, x0, dx, area, yScale) {
      const context = this.context;
      context.strokeStyle = this.limit;
      context.globalAlpha = 0.55;
      context.lineWidth = 7;
      context.beginPath();
      let from = -1;
      for (let i = 0; i <= marks.length; i += 1) {
        if (i < marks.length && marks[i]) {
          if (from < 0) from = i;
        } else if (from >= 0) {
          const y = (area.y[1] - values[from]) * yScale;
          context.moveTo(x0 + (from - 0.5) * dx, y);
          context.lineTo(x0 + (i - 0.5) * dx, y);
          from = -1;
        }
      }
      context.stroke();
      context.globalAlpha = 1;
    }
  };

  /** One piece of a dashed line. Its gaps stand at fixed x: along a noisy line, gaps by length would shiver. */
  function dashed(context, x0, y0, x1, y1, dash, period) {
    const slope = (y1 - y0) / (x1 - x0);
    let x = x0, at = ((x0 % period) + period) % period, part = 0;
    while (part < dash.length - 1 && at >= dash[part]) {
      at -= dash[part];
      part += 1;
    }
    while (x < x1) {
      const end = Math.min(x1, x + dash[part] - at), y = y0 + (end - x0) * slope;
      if (part % 2) context.moveTo(end, y);
      else {
        if (x === x0) context.moveTo(x0, y0);
        context.lineTo(end, y);
      }
      at = 0;
      part = (part + 1) % dash.length;
      // A step too small for a double would never end.
      if (end === x) break;
      x = end;
    }
  }

  /** Messages out of a byte stream: [u32 length][body]; only the newest picture of each chunk is kept. */
  LS.Messages = class {
    constructor() {
      this.held = new Uint8Array(0);
    }

    /** @returns {{setup?: object, facts?: object, trend?: object, picture?: object}} in the order in which they matter. */
    feed(chunk) {
      let bytes = chunk;
      if (this.held.length) {
        bytes = new Uint8Array(this.held.length + chunk.length);
        bytes.set(this.held);
        bytes.set(chunk, this.held.length);
      }
      const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
      const found = {};
      let at = 0, newest = -1, newestLength = 0;
      while (at + 4 <= bytes.length) {
        const length = view.getUint32(at, true);
        if (at + 4 + length > bytes.length) break;
        const kind = bytes[at + 4];
        if (kind === 1) {
          newest = at + 4;
          newestLength = length;
        } else if (kind === 2 || kind === 3 || kind === 5) {
          const text = new TextDecoder().decode(bytes.subarray(at + 8, at + 4 + length));
          found[{ 2: "facts", 3: "setup", 5: "trend" }[kind]] = JSON.parse(text);
          if (kind === 3) newest = -1;
        }
        at += 4 + length;
      }
      if (newest >= 0) found.picture = readPicture(bytes.slice(newest, newest + newestLength).buffer);
      this.held = bytes.slice(at);
      return found;
    }
  };

  function readPicture(buffer) {
    const view = new DataView(buffer);
    const channels = view.getUint16(2, true), points = view.getUint32(4, true);
    const double = (n) => view.getFloat64(8 + 8 * n, true);
    return {
      steady: (view.getUint8(1) & 1) !== 0, reduced: (view.getUint8(1) & 2) !== 0, channels, points,
      left: double(0), span: double(1), x0s: double(2), dxs: double(3), newest: double(4), hz: double(5),
      values: new Float32Array(buffer, 56, channels * points),
      clipped: new Uint8Array(buffer, 56 + 4 * channels * points, channels * points),
    };
  }
})();
