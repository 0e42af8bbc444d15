/* How samples of a run are laid out: one strip a channel from afar, one pair of axes for all close up. */
(function () {
  "use strict";
  const LS = window.livesense;
  const MOST_STRIPS = 6;
  const BETWEEN = 0.035;
  const THINNEST_PX = 1.5;
  /** About as wide as "port away" is. */
  const LABEL_PX = 64;
  const MOST_MARKS = 150;
  /** Words of notes: about a letter wide, with room around them; shorter than six letters none is cut. */
  const LETTER_PX = 6.6, AROUND_PX = 12, SHORTEST_LABEL = 6;
  const MOST_LABELS = 8;
  const LONGEST_LABEL = 24;

  /** A message of `/samples`: u32 length, JSON, then times and values channel by channel. */
  LS.readSamples = function (buffer) {
    const length = new DataView(buffer).getUint32(0, true);
    const about = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
    let at = 4 + length;
    const times = about.points.map((points) => { const part = new Float64Array(buffer, at, points); at += 8 * points; return part; });
    const values = about.points.map((points) => { const part = new Float32Array(buffer, at, points); at += 4 * points; return part; });
    return { times, values, reduced: about.reduced };
  };

  /** From afar every column is a bar from lowest to highest: bars of several channels would only cover each other. */
  LS.runApart = function (run) {
    const count = run.chosen.channels.length;
    return run.held.reduced && count > 1 && count <= MOST_STRIPS;
  };

  const axis = (k) => (k ? String(k + 1) : "");

  function line(channel, solid) {
    const look = LS.looks[channel.look];
    return { color: LS.colour(look.colour), width: look.width, dash: (!solid && look.dash.map((n) => n + "px").join(",")) || "solid" };
  }

  LS.runTraces = function (run) {
    const { reduced, times, values } = run.held, apart = LS.runApart(run);
    return run.chosen.channels.map((channel, k) => ({
      type: "scatter", mode: "lines", name: channel.plot_name, x: times[k], y: values[k], connectgaps: false,
      yaxis: "y" + (apart ? axis(k) : ""), line: line(channel, reduced), opacity: reduced && !apart && values.length > 1 ? 0.55 : 1,
      hovertemplate: "%{y:.4~g}",
    }));
  };

  /** The same range for every strip, so that heights can be compared. */
  LS.runRanges = function (run) {
    const range = extent(run.held, run.from, run.to), layout = {};
    if (range) for (let k = 0; k < (LS.runApart(run) ? run.chosen.channels.length : 1); k += 1) layout[`yaxis${axis(k)}.range`] = range;
    return layout;
  };

  LS.runLayout = function (run, more) {
    const apart = LS.runApart(run), count = apart ? run.chosen.channels.length : 1;
    const layout = structuredClone(run.base), paint = LS.paint();
    const height = (1 - BETWEEN * (count - 1)) / count;
    for (let k = 0; k < count; k += 1) {
      const top = 1 - k * (height + BETWEEN);
      layout["yaxis" + axis(k)] = Object.assign({}, run.base.yaxis, {
        domain: [Math.max(0, top - height), top], anchor: "x", nticks: count > 1 ? 4 : 0, title: { text: run.chosen.unit, standoff: 8 },
      });
    }
    // Without a standoff: Plotly takes it from tick labels, and finds none while the axis moves below another strip.
    layout.xaxis = Object.assign({}, run.base.xaxis, {
      title: { text: run.base.xaxis.title.text }, fixedrange: false, range: [run.from, run.to], hoverformat: ".6~f", anchor: "y" + axis(count - 1),
    });
    Object.assign(layout, { dragmode: "pan", hovermode: "x unified", hoversubplots: "axis" });
    for (const [key, value] of Object.entries(paint)) {
      if (!key.startsWith("yaxis.")) put(layout, key, value);
      else for (let k = 0; k < count; k += 1) put(layout, key.replace("yaxis", "yaxis" + axis(k)), value);
    }
    for (const [key, value] of Object.entries(more)) put(layout, key, value);
    return layout;
  };

  function put(layout, path, value) {
    const keys = path.split("."), last = keys.pop();
    let node = layout;
    for (const key of keys) node = node[key] = Object.assign({}, node[key]);
    node[last] = value;
  }

  /** Names of strips, limits, interruptions, and a bar below what the figures belong to. */
  LS.runMarks = function (run) {
    const marks = { shapes: [], annotations: [] }, apart = LS.runApart(run), { channels, limits, unit } = run.chosen;
    for (const row of limits) {
      const at = apart ? channels.map((c, k) => (row.channels.includes(c.name) ? k : -1)).filter((k) => k >= 0) : [0];
      at.forEach((k, nth) => limit(marks, row.limit, unit, "y" + axis(k), nth === 0));
    }
    interrupted(marks, run);
    ended(marks, run);
    noted(marks, run);
    if (apart) channels.forEach((channel, k) => marks.annotations.push({
      xref: "paper", x: 0, xanchor: "left", yref: `y${axis(k)} domain`, y: 1, yanchor: "top", showarrow: false,
      text: short(channel.plot_name), font: { color: line(channel).color, size: 14 }, bgcolor: LS.colour("--paper"), borderpad: 2,
    }));
    if (run.found) marks.shapes.push({ type: "line", xref: "x", yref: "paper", x0: run.found.from_s, x1: run.found.to_s, y0: 0, y1: 0,
      line: { color: LS.colour("--ink"), width: 5 } });
    return marks;
  };

  function short(name) {
    return name.length > LONGEST_LABEL ? name.slice(0, LONGEST_LABEL - 1) + "…" : name;
  }

  function limit(marks, value, unit, yref, labelled) {
    const color = LS.colour("--limit");
    for (const y of [value, -value]) {
      marks.shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, yref, y0: y, y1: y, line: { color, width: 1.5, dash: "8px,5px" } });
      if (labelled) marks.annotations.push({ xref: "paper", x: 1, xanchor: "right", yref, y, yanchor: y > 0 ? "bottom" : "top", showarrow: false,
        text: `limit ${String(y).replace("-", "\u2212")} ${unit === "A" || unit === "V" ? unit : ""}`.trim(), font: { color, size: 12 },
        bgcolor: LS.colour("--paper"), borderpad: 1 });
    }
  }

  /** Only what can be seen, and one mark for several that share a pixel: a run may have hundreds. */
  function interrupted(marks, run) {
    const length = run.to - run.from, pixel = (THINNEST_PX * length) / run.plot._fullLayout.xaxis._length;
    const near = run.about.interruptions.rows.filter((row) => row.kind !== "died" && row.to_s >= run.from - length / 2 && row.from_s <= run.to + length / 2);
    const until = { gap: -Infinity, outage: -Infinity, restart: -Infinity };
    let labels = 0, drawn = 0;
    for (const row of near) {
      if (row.to_s <= until[row.kind] || drawn >= MOST_MARKS) continue;
      const from = Math.max(row.from_s, until[row.kind]), to = Math.max(row.to_s, from + pixel), restart = row.kind === "restart";
      until[row.kind] = to;
      drawn += 1;
      marks.shapes.push(restart
        ? { type: "line", xref: "x", yref: "paper", x0: row.from_s, x1: row.from_s, y0: 0, y1: 1, line: { color: LS.colour("--ink"), width: 1.5, dash: "2px,3px" } }
        : { type: "rect", xref: "x", yref: "paper", x0: from, x1: to, y0: 0, y1: 1, layer: "below", fillcolor: LS.colour(row.kind === "gap" ? "--warn" : "--fault"),
          opacity: row.kind === "gap" ? 0.4 : 0.2, line: { width: 0 } });
      if (row.kind === "gap" || labels >= MOST_LABELS) continue;
      const seenFrom = Math.max(row.from_s, run.from), seenTo = Math.min(row.to_s, run.to);
      // Words that would reach beyond the stretch they name stand upright in it.
      const upright = !restart && (seenTo - seenFrom) * THINNEST_PX < LABEL_PX * pixel;
      marks.annotations.push({ xref: "x", x: restart ? row.from_s : (seenFrom + seenTo) / 2, textangle: upright ? -90 : 0, yref: "paper", y: 0, yanchor: "bottom",
        xanchor: restart ? "left" : "center", showarrow: false, text: restart ? "restart" : "port away", yshift: restart ? 18 : 2,
        font: { color: LS.colour(restart ? "--ink" : "--fault"), size: 12 }, bgcolor: LS.colour("--paper"), borderpad: 1 });
      labels += 1;
    }
  }

  /** Where a recorder died: its last scan, and what followed as nobody's knowledge. */
  function ended(marks, run) {
    const row = run.lastScan;
    if (!row || run.to < row.from_s) return;
    const color = LS.colour("--fault"), at = { xref: "x", yref: "paper", y: 0, yanchor: "bottom", showarrow: false, font: { color, size: 12 }, borderpad: 1,
      hovertext: `${LS.seconds(row.from_s, 0.001)}: ${row.text}` };
    marks.shapes.push({ type: "rect", xref: "x", yref: "paper", x0: row.from_s, x1: run.end, y0: 0, y1: 1, layer: "below", fillcolor: color, opacity: 0.2, line: { width: 0 } },
      { type: "line", xref: "x", yref: "paper", x0: row.from_s, x1: row.from_s, y0: 0, y1: 1, line: { color, width: 2 } });
    marks.annotations.push(Object.assign({ x: row.from_s, xanchor: "right", yshift: 34, text: "last scan", bgcolor: LS.colour("--paper") }, at),
      Object.assign({ x: (row.from_s + run.to) / 2, xanchor: "center", textangle: -90, yshift: 2, text: "recorder died: unknown" }, at));
  }

  /** Notes and markers as upright lines with their first words, where there is room for them. */
  function noted(marks, run) {
    const length = run.to - run.from, pixel = length / run.plot._fullLayout.xaxis._length, ink = LS.colour("--ink-2");
    let until = -Infinity, drawn = 0;
    for (const row of run.about.notes) {
      if (row.at_s === null || row.at_s < run.from - length / 2 || row.at_s > run.to + length / 2 || drawn >= MOST_MARKS) continue;
      drawn += 1;
      marks.shapes.push({ type: "line", xref: "x", yref: "paper", x0: row.at_s, x1: row.at_s, y0: 0, y1: 1, layer: "below", line: { color: ink, width: 1, dash: "2px,3px" } });
      if (row.at_s < until || row.at_s < run.from || row.at_s > run.to) continue;
      // On the side with room for all of it, else on the roomier one and as much as fits: never over the axis' numbers.
      const fits = (seconds) => Math.floor((seconds / pixel - AROUND_PX) / LETTER_PX);
      const after = fits(run.to - row.at_s), before = fits(row.at_s - Math.max(until, run.from));
      const right = row.label.length <= after || after >= before, most = right ? after : before;
      if (most < Math.min(row.label.length, SHORTEST_LABEL)) continue;
      const text = row.label.length > most ? row.label.slice(0, most - 1) + "…" : row.label;
      until = row.at_s + (right ? (AROUND_PX + LETTER_PX * text.length) * pixel : 0);
      marks.annotations.push({ xref: "x", x: row.at_s, xanchor: right ? "left" : "right", yref: "paper", y: 0, yanchor: "bottom", yshift: 2,
        showarrow: false, text, font: { color: ink, size: 12 }, bgcolor: LS.colour("--paper"), borderpad: 1 });
    }
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
})();
