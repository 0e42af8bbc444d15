/* Takes what is visible of a run along: the picture on white with its caption, the figures as a table. */
(function () {
  "use strict";
  const LS = window.livesense;
  const WIDTH = 1100, PLOT = 520, HEAD = 58, FOOT = 44, SCALE = 2;
  const NS = "http://www.w3.org/2000/svg";
  /** The colours of the light page, whatever the scheme is now: on white they keep their contrast. */
  const ON_WHITE = {
    "--paper": "#ffffff", "--raised": "#ffffff", "--line": "#d8d5cb", "--ink": "#1b2026", "--ink-2": "#555b63", "--trace-0": "#0072b2",
    "--trace-1": "#b25600", "--trace-2": "#00785a", "--trace-3": "#6b5b95", "--limit": "#a3123a", "--warn": "#7a4b00", "--fault": "#a3123a",
  };

  LS.RunCopy = class {
    constructor(run) {
      this.run = run;
      for (const [id, act] of [["run-copy-picture", () => this.copyPicture()], ["run-save-svg", () => this.saveSvg()], ["run-copy-table", () => this.copyTable()]]) {
        const button = document.getElementById(id);
        if (button) button.addEventListener("click", () => this.guarded(act));
      }
    }

    say(text) { LS.write(document.getElementById("run-copied"), text); }

    async guarded(act) {
      if (!this.run.held) return this.say("There is no picture yet.");
      this.say("Making it.");
      try {
        await act();
      } catch (error) {
        this.say(`That did not work: ${error.message}`);
      }
    }

    get title() {
      const { run, name } = this.run.about;
      return `Run ${run}${name ? ", " + name : ""}`;
    }

    get span() {
      const { from } = this.run, to = Math.min(this.run.to, this.run.about.to_s), step = (to - from) / 1000;
      return `${LS.seconds(from, step)} to ${LS.seconds(to, step)}, begun ${LS.stamp(this.run.about.started_wall_s * 1e3)}`;
    }

    get caption() { return this.run.found ? this.run.found.caption : ""; }

    get file() { return `run-${this.run.number}-${this.run.from.toFixed(3)}s`; }

    /** The picture as an SVG document of its own. */
    async svg() {
      const { run } = this;
      LS.colours = ON_WHITE;
      let figure;
      try {
        const layout = LS.runLayout(run, Object.assign(LS.runRanges(run), LS.runMarks(run)));
        const apart = LS.runApart(run);
        Object.assign(layout, { width: WIDTH, height: PLOT, autosize: false, paper_bgcolor: "#ffffff", plot_bgcolor: "#ffffff", showlegend: !apart,
          legend: { orientation: "h", x: 0, y: 1.02, yanchor: "bottom", font: { color: ON_WHITE["--ink"], size: 13 } }, margin: { l: 64, r: 20, t: apart ? 12 : 36, b: 52 } });
        figure = { data: LS.runTraces(run), layout: structuredClone(layout), config: { staticPlot: true } };
      } finally {
        LS.colours = null;
      }
      const url = await window.Plotly.toImage(figure, { format: "svg", width: WIDTH, height: PLOT });
      const inner = new DOMParser().parseFromString(decodeURIComponent(url.slice(url.indexOf(",") + 1)), "image/svg+xml").documentElement;
      const svg = document.createElementNS(NS, "svg"), height = HEAD + PLOT + FOOT;
      for (const [key, value] of [["width", WIDTH], ["height", height], ["viewBox", `0 0 ${WIDTH} ${height}`]]) svg.setAttribute(key, value);
      const paper = document.createElementNS(NS, "rect");
      for (const [key, value] of [["width", WIDTH], ["height", height], ["fill", "#ffffff"]]) paper.setAttribute(key, value);
      inner.setAttribute("y", String(HEAD));
      svg.append(paper, words(this.title, 24, 26, 20, ON_WHITE["--ink"]), words(this.span, 24, 48, 14, ON_WHITE["--ink-2"]),
        document.importNode(inner, true), words(this.caption, 24, height - 18, 15, ON_WHITE["--ink"]));
      return new XMLSerializer().serializeToString(svg);
    }

    async png() {
      const url = URL.createObjectURL(new Blob([await this.svg()], { type: "image/svg+xml" }));
      try {
        const image = new Image();
        image.src = url;
        await image.decode();
        const canvas = document.createElement("canvas");
        canvas.width = WIDTH * SCALE;
        canvas.height = (HEAD + PLOT + FOOT) * SCALE;
        canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
        return await new Promise((resolve) => canvas.toBlob(resolve, "image/png"));
      } finally {
        URL.revokeObjectURL(url);
      }
    }

    async copyPicture() {
      const png = await this.png();
      if (await onClipboard({ "image/png": png })) return this.say("The picture is on the clipboard.");
      save(png, this.file + ".png");
      this.say("The clipboard was refused; the picture was saved as a PNG file.");
    }

    async saveSvg() {
      save(new Blob([await this.svg()], { type: "image/svg+xml" }), this.file + ".svg");
      this.say("The picture was saved as an SVG file.");
    }

    // -- table ---------------------------------------------------------------------------------

    /** One figure a line: channel, figure, value, ±, unit. Numbers as spreadsheets read them. */
    rows() {
      const { found } = this.run;
      if (!found) throw new Error("the figures are not there yet");
      const plain = (text) => String(text === null || text === undefined ? "" : text).replaceAll("\u2212", "-").replaceAll("\u202f", "");
      const line = (of, label, cell) => cell.value === null
        ? [of, label, "", "", "", found.notes.find((note) => note.mark === cell.mark)?.why || ""]
        : [of, label, plain(cell.value), plain(cell.expanded), cell.unit, ""];
      const rows = [];
      for (const row of found.rows) row.cells.forEach((cell, i) => rows.push(line(row.name, found.columns[i], cell)));
      for (const row of found.together) rows.push(line("", row.label, row));
      return rows;
    }

    async copyTable() {
      const head = ["Channel", "Figure", "Value", "\u00b1 (k = 2)", "Unit", "Withheld"], rows = this.rows(), { found } = this.run;
      const step = (found.to_s - found.from_s) / 1000;
      const about = `${this.title}; ${LS.seconds(found.from_s, step)} to ${LS.seconds(found.to_s, step)}; ${this.caption}`;
      // A tab or a line end in a name would break the table; a formula in one must stay text.
      const safe = (text) => text.replace(/[\t\r\n]+/g, " ").replace(/^([=+@]|-(?![\d.]))/, "'$1");
      const text = [[about], head, ...rows].map((row) => row.map(safe).join("\t")).join("\r\n") + "\r\n";
      const table = LS.el("table"), top = LS.el("tr");
      top.append(...head.map((cell) => LS.el("th", "", cell)));
      table.append(LS.el("caption", "", about), top, ...rows.map((row) => {
        const tr = LS.el("tr");
        tr.append(...row.map((cell) => LS.el("td", "", safe(cell))));
        return tr;
      }));
      const html = new Blob([table.outerHTML], { type: "text/html" }), plain = new Blob([text], { type: "text/plain" });
      if (await onClipboard({ "text/html": html, "text/plain": plain })) return this.say("The table is on the clipboard.");
      save(new Blob(["\ufeff" + text], { type: "text/tab-separated-values" }), this.file + ".tsv");
      this.say("The clipboard was refused; the table was saved as a TSV file.");
    }
  };

  function words(text, x, y, size, colour) {
    const node = document.createElementNS(NS, "text");
    for (const [key, value] of [["x", x], ["y", y], ["fill", colour], ["font-size", size], ["font-family", "Helvetica, Arial, sans-serif"]]) node.setAttribute(key, value);
    node.textContent = text;
    return node;
  }

  async function onClipboard(parts) {
    try {
      await navigator.clipboard.write([new ClipboardItem(parts)]);
      return true;
    } catch {
      return false;
    }
  }

  function save(blob, name) {
    const url = URL.createObjectURL(blob), link = LS.el("a");
    link.href = url;
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  }
})();
