/* Figures as tiles, the reasons for those that are withheld, and how old they are. */
(function () {
  "use strict";
  const LS = window.livesense;
  /** So far behind the picture, figures are dimmed; and so far, they are withheld: in seconds. */
  const DIM_S = 1, WITHHELD_S = 2;

  LS.Tiles = class {
    constructor(root) {
      this.root = root;
      this.clear();
    }

    clear() {
      this.made = new Map();
      this.rows = [];
      this.reasons = [];
      this.measuredTo = null;
      this.pictureTo = null;
      this.level = 0;
      for (const id of ["phases", "tiles", "withheld"]) document.getElementById(id).replaceChildren();
    }

    tell(facts) {
      const keys = new Set(facts.tiles.map((row) => row.key));
      for (const [key, parts] of this.made) {
        if (keys.has(key)) continue;
        parts.box.remove();
        this.made.delete(key);
      }
      this.rows = facts.tiles;
      this.reasons = facts.withheld;
      this.measuredTo = typeof facts.measured_to_s === "number" ? facts.measured_to_s : null;
      this.show();
    }

    /** The run time that the picture has come to. */
    reached(runTime) {
      this.pictureTo = runTime;
      if (this.levelNow() !== this.level) this.show();
    }

    /** Seconds by which the figures are behind the picture. */
    lag() {
      return this.measuredTo === null || this.pictureTo === null ? 0 : this.pictureTo - this.measuredTo;
    }

    levelNow() {
      const lag = this.lag();
      return lag > WITHHELD_S ? 2 : lag > DIM_S ? 1 : 0;
    }

    show() {
      this.level = this.levelNow();
      this.root.classList.toggle("behind", this.level > 0);
      for (const row of this.rows) this.tile(row, this.level === 2);
      this.list(this.level === 2 ? [] : this.reasons);
    }

    /** How old the figures are, in words; `age` in seconds where they are not of the present. */
    date(old, age) {
      const box = document.getElementById("figures-date"), lag = this.lag();
      let text = "Measured over the newest half second.";
      if (!this.rows.length || this.measuredTo === null) text = "\u00a0";
      else if (old) text = age === null ? "Not current: what was measured last." : `Not current: measured ${LS.lasting(age)} ago.`;
      else if (this.level === 2) text = `Withheld: ${lag.toFixed(1)} s behind the picture.`;
      else if (this.level === 1) text = `${lag.toFixed(1)} s behind the picture.`;
      LS.write(box, text);
    }

    tile(row, late) {
      let parts = this.made.get(row.key);
      if (!parts) {
        parts = newTile(row);
        this.made.set(row.key, parts);
        document.getElementById(row.large ? "phases" : "tiles").append(parts.box);
      }
      const known = row.withheld === null && !late;
      LS.write(parts.number, known ? row.value : "\u2014");
      LS.write(parts.unit, row.unit);
      const changing = known && row.changing !== undefined;
      const change = row.changing ? `changing: ${row.changing}` : "changing";
      LS.write(parts.tolerance, changing ? change : known ? LS.spread(row.expanded) : "\u00a0");
      parts.box.classList.toggle("changing", changing);
      let why = "";
      if (row.clipped) why = "clipped: end of range";
      else if (row.computed && known) why = "computed from " + row.computed.join(", ");
      LS.write(parts.why, why);
      parts.why.classList.toggle("loud", Boolean(row.clipped));
    }

    /** Each reason once, with all it holds for. */
    list(reasons) {
      const list = document.getElementById("withheld");
      while (list.children.length > reasons.length) list.lastChild.remove();
      reasons.forEach((row, i) => {
        if (!list.children[i]) list.append(LS.el("li"));
        LS.write(list.children[i], `${row.labels}: ${row.why}`);
      });
    }
  };

  function newTile(row) {
    // Speed and frequency are known to more digits than anything else.
    const box = LS.el("div", row.large ? "phase" : row.key.startsWith("speed.") ? "tile wide" : "tile");
    const label = LS.el("div", "tile-label");
    if (row.large) label.append(LS.swatch(row.look));
    label.append(LS.el("b", "", row.label));
    if (row.large && row.name !== row.label) label.append(LS.el("span", "", row.name));
    const figure = LS.el("div", "figure"), number = LS.el("span", row.word ? "number word" : "number"), unit = LS.el("span", "unit");
    figure.append(number, unit);
    const spread = LS.el("div", "spread"), tolerance = LS.el("div", "tolerance"), why = LS.el("div", "why");
    spread.append(tolerance);
    box.append(label, figure, spread);
    if (row.large) box.append(why);
    return { box, number, unit, tolerance, why };
  }
})();
