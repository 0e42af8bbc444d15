/* Notes of one run: newest first, page by page, and the field that adds one. */
(function () {
  "use strict";
  const LS = window.livesense;
  const A_PAGE = 25;
  const KEYS = ["first", "before", "after", "last"];

  LS.RunNotes = class {
    constructor(run) {
      this.run = run;
      this.offset = 0;
      this.rows = [];
    }

    begin() {
      const last = () => Math.max(0, Math.ceil(this.rows.length / A_PAGE) - 1) * A_PAGE;
      const ways = { first: () => 0, before: () => Math.max(0, this.offset - A_PAGE), after: () => Math.min(last(), this.offset + A_PAGE), last };
      for (const key of KEYS) {
        document.getElementById("run-notes-" + key).addEventListener("click", () => {
          this.offset = ways[key]();
          this.draw();
        });
      }
      this.form();
    }

    write(rows) {
      this.rows = [...rows].reverse();
      if (this.offset >= this.rows.length) this.offset = 0;
      this.draw();
    }

    draw() {
      const box = document.getElementById("run-notes"), count = this.rows.length, until = Math.min(count, this.offset + A_PAGE);
      document.getElementById("run-notes-pages").hidden = count <= A_PAGE;
      LS.write(document.getElementById("run-notes-count"), !count ? "None." : count <= A_PAGE ? "Newest first"
        : `Notes ${this.offset + 1} to ${until} of ${count}, newest first`);
      for (const key of KEYS) document.getElementById("run-notes-" + key).disabled = ["first", "before"].includes(key) ? !this.offset : until >= count;
      box.replaceChildren(...this.rows.slice(this.offset, until).map((row) => {
        const entry = LS.el("p");
        entry.append(LS.el("span", "at", row.at_s === null ? `added ${row.added}` : LS.seconds(row.at_s, 0.01)), document.createTextNode(row.text));
        return entry;
      }));
    }

    form() {
      const field = document.getElementById("note-text"), button = document.getElementById("note-add");
      if (!field || !button) return;
      field.addEventListener("keydown", (event) => event.key === "Enter" && button.click());
      button.addEventListener("click", async () => {
        const text = field.value.trim();
        if (!text) return;
        const answer = await fetch(`/api/runs/${this.run.number}/notes`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ text }) });
        LS.write(document.getElementById("aloud"), answer.ok ? (this.run.about.recording ? "Note handed to the recorder." : "Note kept with the run.") : await answer.text());
        if (!answer.ok) return window.dash_clientside.set_props("note-text", { error: document.getElementById("aloud").textContent });
        window.dash_clientside.set_props("note-text", { value: "", error: "" });
        // The recorder writes it within a moment; look until it is there.
        for (let turn = 0; turn < 20 && !this.run.ended; turn += 1) {
          await new Promise((resolve) => setTimeout(resolve, 150));
          const again = await this.run.ask("");
          if (again && again.notes.length > this.run.about.notes.length) {
            this.run.about.notes = again.notes;
            this.offset = 0;
            return this.write(again.notes);
          }
        }
      });
    }
  };
})();
