/* What is written into the live picture: limits of the bench file, and since when it stands. */
(function () {
  "use strict";
  const LS = window.livesense;

  /** A time of day; with its date when that is not today's. */
  LS.clock = function (ms, nowMs) {
    const at = new Date(ms), two = (n) => String(n).padStart(2, "0");
    const time = [at.getHours(), at.getMinutes(), at.getSeconds()].map(two).join(":");
    if (at.toDateString() === new Date(nowMs).toDateString()) return time;
    return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${time}`;
  };

  /** Date and time of day, to the second, in the zone of who looks. */
  LS.stamp = function (ms) {
    const at = new Date(ms), two = (n) => String(n).padStart(2, "0");
    return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${[at.getHours(), at.getMinutes(), at.getSeconds()].map(two).join(":")}`;
  };

  /**
   * Shapes and annotations of a picture whose axis reaches from -top to top. Limits within it are lines; the
   * lowest beyond it is words at the edge. `since` (ms) says since when the picture stands; null while it moves.
   */
  LS.liveMarks = function (limits, top, since) {
    const colour = LS.colour("--limit"), shapes = [], annotations = [];
    const words = (text, place) => annotations.push(Object.assign({ xref: "paper", showarrow: false, text, font: { color: colour, size: 12 } }, place));
    for (const row of limits.filter((row) => row.limit <= top)) {
      for (const y of [row.limit, -row.limit]) {
        shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, y0: y, y1: y, layer: "below", line: { color: colour, width: 1.5, dash: "8px,5px" } });
        words(`limit ${String(y).replace("-", "\u2212")} ${row.unit}`, { x: 1, y, xanchor: "right", yanchor: y > 0 ? "bottom" : "top" });
      }
    }
    const beyond = limits.find((row) => row.limit > top), edge = { yref: "paper", y: 1, yanchor: "top" };
    if (beyond) words(`limit \u00b1${beyond.limit} ${beyond.unit}, off this scale`, Object.assign({ x: 1, xanchor: "right" }, edge));
    if (since !== null)
      words(`stands since ${LS.clock(since, Date.now())}`, Object.assign({ x: 0, xanchor: "left", bgcolor: LS.colour("--paper") }, edge,
        { font: { color: LS.colour("--ink"), size: 14 } }));
    return { shapes, annotations };
  };
})();
