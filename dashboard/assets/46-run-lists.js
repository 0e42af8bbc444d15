/* What stands in words and figures on the screen of one run: figures, events, interruptions. */
(function () {
  "use strict";
  const LS = window.livesense;
  const EVENTS_A_PAGE = 25;
  const SHOWN_AT_FIRST = 20;
  const TICKS = 400;

  LS.RunLists = class {
    constructor(run) {
      this.run = run;
      this.offset = 0;
      this.all = false;
      this.notes = new LS.RunNotes(run);
    }

    get about() { return this.run.about; }

    begin() {
      const plots = document.getElementById("run-plots");
      if (plots) [...plots.children].forEach((button, i) => button.addEventListener("click", () => this.run.choose(i)));
      this.notes.begin();
      if (!document.getElementById("run-events")) return;
      const last = () => Math.max(0, Math.ceil(this.about.events / EVENTS_A_PAGE) - 1) * EVENTS_A_PAGE;
      for (const [key, offset] of [["first", () => 0], ["before", () => Math.max(0, this.offset - EVENTS_A_PAGE)],
        ["after", () => Math.min(last(), this.offset + EVENTS_A_PAGE)], ["last", last]]) {
        document.getElementById("run-events-" + key).addEventListener("click", () => this.events(offset()));
      }
      this.events(0);
    }

    /** Writes what may have changed since the last look. */
    write(before) {
      const now = JSON.stringify(this.about.interruptions);
      if (now !== this.written) this.interruptions();
      this.written = now;
      if (!before || before.notes.length !== this.about.notes.length) this.notes.write(this.about.notes);
      // An event that is still open changes without their number changing.
      if (before && (before.events !== this.about.events || this.open) && document.getElementById("run-events")) this.events(this.offset);
    }

    chosen(index) {
      [...document.getElementById("run-plots").children].forEach((button, i) => button.setAttribute("aria-pressed", String(i === index)));
      this.run.plot.closest(".sheet").classList.toggle("tall", this.about.plots[index].channels.length > 3);
      const legend = document.getElementById("run-legend");
      legend.replaceChildren();
      for (const channel of this.about.plots[index].channels) {
        const entry = LS.el("span");
        entry.append(LS.swatch(channel.look), LS.el("span", "", channel.name + (channel.computed ? ` (computed from ${channel.computed.join(", ")})` : "")));
        legend.append(entry);
      }
    }

    figures(found, trouble) {
      const box = document.getElementById("run-figures");
      if (!found) return box.replaceChildren(LS.told("p", "advice", trouble));
      const step = (found.to_s - found.from_s) / 1000;
      const table = LS.el("table"), scroll = LS.el("div", "run-scroll run-lines"), why = new Map(found.notes.map((note) => [note.mark, note.why]));
      const said = LS.el("p", "said", `Of ${LS.seconds(found.from_s, step)} to ${LS.seconds(found.to_s, step)}: ${found.of}. `
        + "The bar below the picture marks it. ± is the expanded uncertainty (k = 2).");
      for (const [key, value] of [["role", "region"], ["tabindex", "0"], ["aria-label", "Figures of the channels"]]) scroll.setAttribute(key, value);
      scroll.append(table);
      table.append(headRow(["Channel", ...found.columns]));
      const body = LS.el("tbody");
      for (const row of found.rows) {
        const tr = LS.el("tr"), name = LS.el("th", "", row.name);
        name.setAttribute("scope", "row");
        tr.append(name, ...row.cells.map((cell) => quantity("td", cell, why)));
        // Where it is narrow each cell is a line of its own, and says what it is.
        row.cells.forEach((cell, at) => { tr.cells[at + 1].dataset.title = found.columns[at]; });
        body.append(tr);
      }
      table.append(body);
      const list = LS.el("dl");
      for (const row of found.together) {
        const pair = LS.el("div");
        pair.append(LS.el("dt", "", row.label), quantity("dd", row, why));
        list.append(pair);
      }
      const notes = LS.el("ul", "withheld");
      for (const note of found.notes) {
        const item = LS.el("li");
        item.append(LS.el("sup", "", note.mark), document.createTextNode(" " + note.why));
        notes.append(item);
      }
      box.replaceChildren(said, scroll, list, notes);
    }

    // -- events, page by page ------------------------------------------------------------------

    async events(offset) {
      const found = await this.run.ask(`/events?offset=${offset}&limit=${EVENTS_A_PAGE}`, "events");
      const said = document.getElementById("run-events-count"), box = document.getElementById("run-events");
      if (this.run.ended || !said || (!found && !this.run.trouble)) return;
      if (!found) return LS.tell(said, this.run.trouble);
      this.offset = found.offset;
      this.open = found.rows.some((row) => row.end_s === null);
      const until = found.offset + found.rows.length, count = found.count;
      LS.write(said, !count ? "No event in this run." : count <= EVENTS_A_PAGE ? `${whole(count)} ${count === 1 ? "event" : "events"}`
        : `Events ${whole(found.offset + 1)} to ${whole(until)} of ${whole(count)}`);
      document.getElementById("run-events-pages").hidden = count <= EVENTS_A_PAGE;
      for (const [key, off] of [["first", !found.offset], ["before", !found.offset], ["after", until >= count], ["last", until >= count]]) {
        document.getElementById("run-events-" + key).disabled = off;
      }
      box.replaceChildren();
      if (count) box.append(this.eventTable(found.rows));
      this.ticks(found);
    }

    /** Events for the outline: those of this page, or more of them where there are more. */
    async ticks(found) {
      const { strip } = this.run;
      if (!strip) return;
      if (found.count > found.rows.length && this.ticked === found.count) return;
      this.ticked = found.count;
      const all = found.count > found.rows.length ? await this.run.ask(`/events?offset=0&limit=${TICKS}`, "ticks") : found;
      if (!all || this.run.ended) return;
      strip.events = all.rows;
      strip.draw();
    }

    eventTable(rows) {
      const table = LS.el("table"), body = LS.el("tbody"), titles = ["At", "Channel", "Kind", "Peak", "Limit", "Lasted", ""];
      for (const row of rows) {
        const tr = LS.el("tr"), at = LS.el("td", "at");
        const end = row.end_s === null ? row.start_s + 0.2 : row.end_s;
        at.append(press("as-link", LS.seconds(row.start_s, 0.001), () => this.run.around(row.start_s - row.before_s, end + row.after_s)));
        tr.append(at);
        [row.channel, row.kind, row.peak, row.limit, row.lasted, row.remark].forEach((text, i) => {
          const cell = LS.el("td", ["", "", "number", "number", "number", "remark"][i], text);
          // Narrow, the cells stand one below the other and name themselves.
          cell.dataset.title = titles[i + 1];
          tr.append(cell);
        });
        body.append(tr);
      }
      table.append(headRow(titles.slice(0, 6).concat("Remark")), body);
      return table;
    }

    // -- interruptions -------------------------------------------------------------------------

    interruptions() {
      const box = document.getElementById("run-interruptions"), { rows, text, more } = this.about.interruptions;
      document.getElementById("interruptions").hidden = !rows.length && this.run.root.dataset.holdsScans === "no";
      box.replaceChildren(LS.el("p", "why", text));
      for (const row of this.all ? rows : rows.slice(0, SHOWN_AT_FIRST)) {
        const entry = LS.el("p", row.kind), at = LS.seconds(row.from_s, 0.001);
        entry.append(this.run.plot || this.run.root.dataset.holdsScans === "yes" ? press("as-link at", at, () => this.run.around(row.from_s, row.to_s)) : LS.el("span", "at", at),
          document.createTextNode(row.to_s - row.from_s > 0.0005 && row.kind === "outage" ? `to ${LS.seconds(row.to_s, 0.001)}: ${row.text}` : row.text));
        box.append(entry);
      }
      if (!this.all && rows.length > SHOWN_AT_FIRST) box.append(press("choice", `Show all ${whole(rows.length)}`, () => { this.all = true; this.interruptions(); }));
      else if (more > 0) box.append(LS.el("p", "why", `and ${whole(more)} more gaps: livesense show lists them all.`));
    }
  };

  function press(className, text, act) {
    const button = LS.el("button", className, text);
    button.type = "button";
    button.addEventListener("click", act);
    return button;
  }

  function headRow(titles) {
    const head = LS.el("thead"), row = LS.el("tr");
    for (const title of titles) {
      const cell = LS.el("th", "", title);
      cell.setAttribute("scope", "col");
      row.append(cell);
    }
    head.append(row);
    return head;
  }

  /** A count with its thousands apart, as everywhere on the page. */
  function whole(count) {
    return String(count).replace(/\B(?=(\d{3})+$)/g, "\u202f");
  }

  /** A figure, or a dash with the mark of the reason that stands below. */
  function quantity(tag, cell, why) {
    if (cell.value === null) {
      const none = LS.el(tag, "none", "\u2013");
      none.title = why.get(cell.mark);
      none.append(LS.el("sup", "", cell.mark));
      return none;
    }
    const element = LS.el(tag, "", cell.value);
    element.append(LS.el("small", "", ` ${LS.spread(cell.expanded)} ${cell.unit}`));
    return element;
  }
})();
