/* A bench file as a form: every key a field, judged by the server while it is edited, saved as a whole. */
(function () {
  "use strict";
  const LS = window.livesense;
  const JUDGE_MS = 350;
  const ORDER = ["bench", "motor", "adc", "link", "link.record", "group", "channel", "watch", "limits"];
  const ALWAYS = ["bench", "motor", "adc", "link"];
  const PLURAL = { channel: "Channels", watch: "Rules", group: "Groups" };
  const HEAD = { channel: "sensor", watch: "kind" };

  const part = (id) => document.getElementById("bench-" + id);
  const idOf = (place) => "b-" + place.replaceAll(".", "-");

  class Bench {
    constructor(screen) {
      this.screen = screen;
      this.number = Number(screen.dataset.bench);
      this.over = new AbortController();
      this.turn = 0;
    }

    async begin() {
      while (!["form", "save", "undo", "state"].every(part)) {
        if (this.over.signal.aborted) return;
        await LS.pause(30);
      }
      const on = (id, what) => part(id).addEventListener("click", what, { signal: this.over.signal });
      on("save", () => this.save());
      on("undo", () => this.undo());
      try {
        this.tables = await this.ask("fields");
        this.take(await this.ask(String(this.number)));
        this.restore();
      } catch (error) {
        return this.state(LS.why(error), "bad");
      }
      this.build();
      // The chart is a picture: it has the colours of one scheme.
      this.stopScheme = LS.onScheme(() => this.worth());
      this.judge();
      this.check(false);
    }

    end() {
      if (this.stopScheme) this.stopScheme();
      clearTimeout(this.timer);
      this.over.abort();
    }

    ask(path, body) {
      return LS.ask("/api/bench/" + path, body, this.over.signal);
    }

    state(text, tone) {
      if (!text) return;
      part("state").dataset.tone = tone || "";
      LS.tell(part("state"), text);
    }

    take(told) {
      this.told = told;
      this.digest = told.digest;
      this.saved = JSON.stringify(told.form);
      this.form = JSON.parse(this.saved);
    }

    get key() {
      return `livesense.bench.${this.number}.${this.digest}`;
    }

    restore() {
      try {
        const kept = JSON.parse(sessionStorage.getItem(this.key));
        if (kept) this.form = kept;
      } catch (error) {
        sessionStorage.removeItem(this.key);
      }
    }

    // -- building ---------------------------------------------------------------------------------

    build() {
      const open = new Set([...document.querySelectorAll("#bench-form details[open]")].map((box) => box.id));
      const bands = [];
      for (const table of [...ORDER, ...Object.keys(this.tables).filter((name) => !ORDER.includes(name))]) {
        const about = this.tables[table];
        if (about.repeated) bands.push(this.band(table, PLURAL[table], this.rows(table)));
        else if (ALWAYS.includes(table) || !ORDER.includes(table) || table === "limits" || Object.keys(this.form[table]).length) {
          bands.push(this.band(table, about.title, [this.keys(table, table, this.form[table])]));
        }
      }
      bands.push(this.band("worth", "Error", [LS.el("div", "bench-worth")]), this.band("check", "Check", [this.checkBox()]),
        this.band("history", "Calibrations", [this.history()]));
      part("form").replaceChildren(...bands);
      for (const id of open) {
        const box = document.getElementById(id);
        if (box) box.open = true;
      }
      this.mark();
      this.worth();
      this.findings();
    }

    band(name, title, parts) {
      const band = LS.el("section", "band"), margin = LS.el("div", "margin"), matter = LS.el("div", "matter"), head = LS.el("h2", "margin-name", title);
      band.id = "bench-of-" + name.replace(".", "-");
      head.id = band.id + "-name";
      band.setAttribute("aria-labelledby", head.id);
      margin.append(head);
      matter.append(...parts);
      band.append(margin, matter);
      return band;
    }

    rows(table) {
      const rows = this.form[table].map((row, at) => this.row(table, row, at));
      const add = LS.el("button", "choice", { channel: "Add a channel", watch: "Add a rule", group: "Add a group" }[table]);
      add.type = "button";
      add.id = `b-add-${table}`;
      add.addEventListener("click", () => {
        const first = { channel: { name: "", sensor: "shunt" }, watch: { kind: "overcurrent", channels: "" }, group: {} }[table];
        this.form[table].push({ was: null, keys: first });
        this.build();
        const box = document.getElementById(idOf(`${table}.${this.form[table].length - 1}`));
        box.open = true;
        box.querySelector("summary").focus();
        this.changed();
      });
      return [...rows, add];
    }

    row(table, row, at) {
      const place = `${table}.${at}`, box = LS.el("details", "bench-row"), head = LS.el("summary"), title = LS.el("span", "bench-title");
      box.id = idOf(place);
      title.id = box.id + "-title";
      head.append(title, LS.el("span", "bench-brief"));
      box.append(head);
      LS.write(title, this.title(table, row.keys, at));
      const fill = () => {
        if (box.dataset.filled) return;
        box.dataset.filled = "yes";
        if (table === "channel") {
          const facts = LS.el("dl", "bench-facts");
          facts.id = box.id + "-facts";
          box.append(facts);
        }
        box.append(this.keys(table, place, row.keys));
        const drop = LS.el("button", "choice", `Remove ${this.title(table, row.keys, at)}`);
        drop.type = "button";
        drop.addEventListener("click", () => {
          this.form[table].splice(at, 1);
          this.build();
          document.getElementById(`b-add-${table}`).focus();
          this.changed();
        });
        box.append(drop);
        this.worth();
        this.problems();
      };
      box.addEventListener("toggle", () => box.open && fill());
      if (row.was === null) fill();
      return box;
    }

    title(table, keys, at) {
      if (table === "channel") return keys.name || `channel ${at + 1}`;
      if (table === "watch") return `${keys.kind || "rule"} ${at + 1}`;
      return `group ${at}`;
    }

    /** Fields of one table: those that are stated or needed, and behind a fold those that could be. */
    keys(table, place, keys) {
      const box = LS.el("div", "bench-keys"), shown = LS.el("div", "fields"), more = LS.el("details", "bench-more"), hidden = LS.el("div", "fields");
      const kind = HEAD[table] ? keys[HEAD[table]] || "" : "";
      const wrong = LS.el("p", "field-wrong bench-wrong");
      wrong.id = idOf(place) + "-wrong";
      for (const field of this.tables[table].fields) {
        const has = keys[field.key] !== undefined;
        const fits = !field.only.length || field.only.includes(kind);
        if (!fits && !has) continue;
        const needed = field.needed.includes("") || field.needed.includes(kind);
        (has || needed ? shown : hidden).append(this.field(table, place, keys, field, needed));
      }
      box.append(wrong, shown);
      if (hidden.childElementCount) {
        more.id = idOf(place) + "-more";
        more.append(LS.el("summary", "", `${hidden.childElementCount} more keys that can be stated`), hidden);
        box.append(more);
      }
      return box;
    }

    field(table, place, keys, field, needed) {
      const box = LS.el("div", "field"), id = idOf(`${place}.${field.key}`);
      const left = field.default ? `Left out: ${field.default}.` : needed ? "Needed." : "";
      const choices = field.choices.length ? [{ value: "", label: needed ? "" : "left out" }, ...field.choices.map((word) => ({ value: word, label: word }))] : undefined;
      const kept = keys[field.key] || "";
      if (choices && kept && !field.choices.includes(kept)) choices.push({ value: kept, label: kept });
      box.append(...LS.field({
        id, label: field.key.replaceAll("_", " "), hint: `${field.purpose} ${left}`.trim(), example: field.example, most: 2000, choices, value: kept,
      }));
      const input = box.querySelector(".field-input");
      if (field.locked) {
        input.disabled = true;
        return box;
      }
      input.addEventListener("input", () => {
        if (input.value.trim()) keys[field.key] = input.value;
        else delete keys[field.key];
        if (field.key === HEAD[table]) {
          this.build();
          const again = document.getElementById(id);
          if (again) again.focus();
        }
        this.changed();
      });
      return box;
    }

    // -- judging and saving -----------------------------------------------------------------------

    changed() {
      clearTimeout(this.timer);
      this.mark();
      try {
        if (this.dirty) sessionStorage.setItem(this.key, JSON.stringify(this.form));
        else sessionStorage.removeItem(this.key);
      } catch (error) {
        // A draft that cannot be kept is still on the screen.
      }
      this.timer = setTimeout(() => this.judge(), JUDGE_MS);
    }

    get dirty() {
      return JSON.stringify(this.tidy(this.form)) !== JSON.stringify(this.tidy(JSON.parse(this.saved)));
    }

    tidy(form) {
      const keys = (given) => Object.fromEntries(Object.entries(given).filter(([, text]) => text.trim()).sort());
      return Object.fromEntries(Object.entries(form).map(([table, given]) => [table, Array.isArray(given) ? given.map((row) => [row.was, keys(row.keys)]) : keys(given)]));
    }

    mark() {
      const wrong = Object.keys(this.told.problems || {}).length;
      LS.write(part("changes"), !this.dirty ? "No change." : wrong ? `Changed, not saved; ${wrong} ${wrong === 1 ? "mistake" : "mistakes"} to mend.` : "Changed, not saved.");
      part("save").setAttribute("aria-disabled", String(!this.dirty || wrong > 0));
      part("undo").setAttribute("aria-disabled", String(!this.dirty));
      this.lookedAt();
    }

    async judge() {
      const turn = (this.turn += 1);
      try {
        const told = await this.ask(`${this.number}/judge`, { form: this.form, digest: this.digest });
        if (turn !== this.turn) return;
        Object.assign(this.told, told);
        this.state(Object.keys(told.problems).length ? "It cannot be used as it stands: mend what is marked." : "It can be used as it stands.", Object.keys(told.problems).length ? "bad" : "");
        this.problems();
        this.worth();
        this.mark();
      } catch (error) {
        if (turn === this.turn) this.state(LS.why(error), "bad");
      }
    }

    problems() {
      for (const box of document.querySelectorAll("#bench-form .field-wrong")) LS.write(box, "");
      for (const box of document.querySelectorAll("#bench-form [aria-invalid]")) box.removeAttribute("aria-invalid");
      for (const box of document.querySelectorAll("#bench-form .bench-row")) box.classList.remove("wrong");
      for (const [place, why] of Object.entries(this.told.problems || {})) {
        const [table] = place.split("."), row = place.split(".").slice(0, 2).join(".");
        const holder = this.tables[table] && this.tables[table].repeated ? document.getElementById(idOf(row)) : null;
        if (holder) holder.classList.add("wrong");
        if (document.getElementById(idOf(place) + "-wrong") && document.getElementById(idOf(place))) {
          LS.wrong(idOf(place), why);
          const more = document.getElementById(idOf(place)).closest(".bench-more");
          if (more) more.open = true;
        } else {
          const box = document.getElementById(idOf(holder ? row : table) + "-wrong");
          if (box) LS.tell(box, `${place.split(".").pop()}: ${why}`);
          else if (!holder) this.state(why, "bad");
        }
        if (holder) LS.write(holder.querySelector(".bench-brief"), "to be mended");
      }
    }

    async save() {
      if (part("save").getAttribute("aria-disabled") === "true") return;
      clearTimeout(this.timer);
      this.turn += 1;
      const key = this.key;
      try {
        const told = await this.ask(`${this.number}/save`, { form: this.form, digest: this.digest });
        sessionStorage.removeItem(key);
        this.take(told);
        this.build();
        this.state(`Saved. The file as it was before is ${told.file}.bak.`, "good");
        this.check(false);
      } catch (error) {
        this.state(LS.why(error), "bad");
      }
    }

    undo() {
      if (part("undo").getAttribute("aria-disabled") === "true") return;
      this.form = JSON.parse(this.saved);
      this.build();
      this.changed();
    }

    // -- what it is worth -------------------------------------------------------------------------

    worth() {
      const found = Object.fromEntries(this.told.channels.map((one) => [one.name, one]));
      this.form.channel.forEach((row, at) => {
        const box = document.getElementById(idOf(`channel.${at}`)), one = found[row.keys.name];
        if (!box) return;
        const title = this.title("channel", row.keys, at);
        LS.write(box.querySelector(".bench-title"), title);
        const brief = [row.keys.phase, row.keys.sensor, ...(one ? one.facts.slice(1, 3).map(([, value]) => value) : [])];
        LS.write(box.querySelector(".bench-brief"), brief.filter(Boolean).join(" · "));
        const facts = document.getElementById(box.id + "-facts");
        if (facts) facts.replaceChildren(...(one ? this.facts(one) : []));
      });
      const box = document.querySelector("#bench-of-worth .bench-worth");
      if (!box) return;
      const parts = this.told.warnings.map((text) => LS.told("p", "bench-warning", text));
      if (this.told.chart) {
        const picture = LS.el("img", "bench-chart");
        picture.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(this.told.chart[LS.dark() ? "dark" : "light"]);
        picture.alt = "Error against current of each shunt channel; the numbers stand in each channel's uncertainty";
        const scroll = LS.el("div", "run-scroll");
        for (const [key, value] of [["role", "region"], ["tabindex", "0"], ["aria-label", "Error against current"]]) scroll.setAttribute(key, value);
        scroll.append(picture);
        parts.push(scroll);
      }
      if (!parts.length) parts.push(LS.el("p", "advice", "The file has to be right first."));
      box.replaceChildren(...parts);
    }

    facts(one) {
      const parts = [];
      for (const [name, value] of one.facts) parts.push(LS.el("dt", "", name), LS.el("dd", "", value));
      if (one.budget.length) {
        const holder = LS.el("dd", "bench-budget");
        holder.append(this.table(["Source", "Stated", "Contributes", "Share"], one.budget, `Uncertainty of ${one.name}`));
        parts.push(LS.el("dt", "", "From"), holder);
      }
      if (one.assumed.length) parts.push(LS.el("dt", "", "Assumed or not covered"), LS.el("dd", "", one.assumed.join(", ")));
      return parts;
    }

    table(titles, rows, label) {
      const box = LS.el("div", "run-figures run-scroll bench-table"), table = LS.el("table"), head = LS.el("tr"), body = LS.el("tbody");
      box.tabIndex = 0;
      box.setAttribute("role", "region");
      box.setAttribute("aria-label", label);
      for (const title of titles) {
        const cell = LS.el("th", "", title);
        cell.scope = "col";
        head.append(cell);
      }
      for (const row of rows) {
        const line = LS.el("tr");
        row.forEach((text, at) => {
          const cell = LS.el(at ? "td" : "th", "", text);
          if (!at) cell.scope = "row";
          line.append(cell);
        });
        body.append(line);
      }
      const thead = LS.el("thead");
      thead.append(head);
      table.append(thead, body);
      box.append(table);
      return box;
    }

    history() {
      const rows = this.told.calibrations;
      if (!rows.length) return LS.el("p", "advice", "None in this logbook: zeros, scales and walks are kept there.");
      return this.table(["Made", "Channel", "What", "Found", "Board", "Reason"], rows, "Calibrations of this bench");
    }

    // -- the check --------------------------------------------------------------------------------

    checkBox() {
      const box = LS.el("div", "bench-check"), row = LS.el("div", "controls"), said = LS.el("p", "rec-answer");
      said.id = "bench-checked";
      said.setAttribute("role", "status");
      for (const [by, text] of [[false, "Check what stands here"], [true, "Check it by the newest run"]]) {
        const button = LS.el("button", "choice", text);
        button.type = "button";
        button.id = by ? "b-check-run" : "b-check-file";
        button.addEventListener("click", () => this.check(by));
        row.append(button);
      }
      const list = LS.el("div", "bench-findings");
      box.append(row, said, list);
      return box;
    }

    async check(by) {
      const said = () => part("checked");
      LS.write(said(), "Checking …");
      try {
        const form = JSON.stringify(this.tidy(this.form)), unsaved = this.dirty;
        const report = await this.ask(`${this.number}/check`, { form: this.form, digest: this.digest, by_run: by });
        this.report = { ...report, form, unsaved };
        this.findings();
      } catch (error) {
        const why = LS.why(error);
        if (why && said()) LS.tell(said(), why);
      }
    }

    /** Says what the check looked at; what was typed since is not in it. */
    lookedAt() {
      const { report } = this, said = part("checked");
      if (!report || !said) return;
      if (JSON.stringify(this.tidy(this.form)) !== report.form) return LS.write(said, "What is below is of the form as it was before the last change: check again.");
      const count = report.findings.length, form = report.unsaved ? ", as it is typed here, not saved" : "";
      LS.write(said, `Looked at: ${report.looked_at}${form}. ${count ? `${count} ${count === 1 ? "finding" : "findings"}.` : "Nothing found."}`);
    }

    findings() {
      const box = document.querySelector("#bench-of-check .bench-findings"), report = this.report;
      if (!box || !report) return;
      this.lookedAt();
      const parts = report.findings.map((finding) => this.finding(finding));
      if (report.unproven.length) {
        const list = LS.el("ul");
        for (const text of report.unproven) list.append(LS.told("li", "", text));
        parts.push(LS.el("h3", "bench-sub", "Not proven"), list);
      }
      box.replaceChildren(...parts);
    }

    finding(finding) {
      const box = LS.el("div", `bench-finding ${finding.severity}`), words = LS.el("p");
      words.append(LS.el("b", "", `${finding.severity}${finding.channel ? `, ${finding.channel}` : ""}: `), ...LS.words(finding.text));
      box.append(words);
      if (finding.fix) box.append(LS.told("p", "walk-fix", `Fix: ${finding.fix}`));
      if (finding.edit && this.place(finding.edit)) {
        const button = LS.el("button", "choice", "Put it into the form");
        button.type = "button";
        button.setAttribute("aria-label", `Put into the form: ${finding.fix}`);
        button.addEventListener("click", () => this.apply(finding.edit));
        box.append(button);
      }
      return box;
    }

    /** Where a fix belongs: place and keys of its table; null where there is none. */
    place(edit) {
      if (!this.tables[edit.table] || !this.tables[edit.table].fields.some((field) => field.key === edit.key && !field.locked)) return null;
      if (!this.tables[edit.table].repeated) return [edit.table, this.form[edit.table]];
      const at = edit.table === "channel" ? this.form.channel.findIndex((row) => row.keys.name === edit.channel) : edit.group;
      const row = this.form[edit.table][at];
      return row ? [`${edit.table}.${at}`, row.keys] : null;
    }

    apply(edit) {
      const [place, keys] = this.place(edit);
      keys[edit.key] = String(edit.value);
      this.build();
      this.changed();
      const row = document.getElementById(idOf(place));
      if (row) row.open = true;
      // A fold is filled when it has told that it opened.
      setTimeout(() => {
        const input = document.getElementById(idOf(`${place}.${edit.key}`));
        if (input) input.focus();
      }, 60);
    }
  }

  LS.screen("bench", (screen) => {
    const bench = new Bench(screen);
    bench.begin();
    return () => bench.end();
  });
})();
