/* Stretches of a run: asked for once, or for the visible part of a long run; a lane in the outline and a list. */
(function () {
  "use strict";
  const LS = window.livesense;
  const SHOWN_AT_FIRST = 24;

  LS.RunStretches = class {
    constructor(run) {
      this.run = run;
      this.marks = [];
      this.all = false;
      this.covered = null;
    }

    /** A recording grows: its stretches are told up to when this was opened, and again when it has ended. */
    async look() {
      const { about } = this.run, whole = [about.from_s, about.to_s];
      if (this.covered && this.covered[0] <= this.run.from && (this.covered[1] >= this.run.to || about.recording)) return;
      let told = await this.run.ask("/stretches", "stretches"), covered = whole;
      if (told && !told.marks.length && told.text && this.run.to - this.run.from < 0.9 * (whole[1] - whole[0])) {
        covered = [this.run.from, this.run.to];
        told = await this.run.ask(`/stretches?from=${covered[0]}&to=${covered[1]}`, "stretches");
      }
      if (!told || this.run.ended) return;
      this.marks = told.marks;
      this.covered = told.marks.length || covered === whole ? covered : null;
      if (!told.marks.length && covered === whole && told.text.includes("choose")) this.covered = null;
      LS.tell(document.getElementById("run-stretches-said"), told.text || `${told.marks.length} ${told.marks.length === 1 ? "stretch" : "stretches"}`);
      this.list();
      this.run.strip.draw();
    }

    list() {
      const box = document.getElementById("run-stretches");
      box.replaceChildren(...(this.all ? this.marks : this.marks.slice(0, SHOWN_AT_FIRST)).map((row) => {
        const entry = LS.el("p", row.fault ? "fault" : ""), press = LS.el("button", "as-link at", LS.seconds(row.from_s, 0.01));
        press.type = "button";
        press.addEventListener("click", () => this.run.around(row.from_s, row.to_s));
        entry.append(press, document.createTextNode(row.title));
        return entry;
      }));
      if (this.all || this.marks.length <= SHOWN_AT_FIRST) return;
      const more = LS.button(`Show all ${this.marks.length}`, () => {
        this.all = true;
        this.list();
      });
      box.append(more);
    }
  };
})();
