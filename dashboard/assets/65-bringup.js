/* Bring-up: each stage judged on two seconds from now on, its verdict kept with the run. */
(function () {
  "use strict";
  const LS = window.livesense;
  // Longer than a scan takes from the device into the logbook: what is judged came after the click.
  const SETTLE_MS = 500, EVERY_MS = 250, PATIENCE_MS = 6000, LOOK_MS = 2000;
  const WORDS = { passed: "Passed", failed: "Not passed", undecided: "Undecided", "not judged": "Not judged" };
  const part = (id) => document.getElementById("bring-" + id);

  class BringUp {
    constructor(screen) {
      this.screen = screen;
      this.run = screen.dataset.run;
      this.over = new AbortController();
      this.kept = {};
      this.busy = false;
    }

    async begin() {
      this.stages = [...this.screen.querySelectorAll("[data-stage]")].map((item) => item.dataset.stage);
      while (!part("sure") || !this.stages.every((stage) => part(stage + "-judge"))) {
        if (this.over.signal.aborted) return;
        await LS.pause(30);
      }
      LS.fields(this.screen);
      this.screen.addEventListener("click", (event) => {
        const item = event.target.closest("button") && event.target.closest("[data-stage]");
        if (item) this.judge(item.dataset.stage);
      }, { signal: this.over.signal });
      // As on Record: Enter in a field does what its button does.
      this.screen.addEventListener("keydown", (event) => {
        const item = event.key === "Enter" && !event.isComposing && event.target.matches(".field-input") && event.target.closest("[data-stage]");
        if (item) this.judge(item.dataset.stage);
      }, { signal: this.over.signal });
      try {
        this.kept = (await this.ask("")).kept;
        for (const stage of this.stages) if (this.kept[stage]) this.tell(stage, this.kept[stage], true);
      } catch (error) {
        this.say(this.stages[0], LS.why(error));
      }
      this.mark();
    }

    end() {
      this.over.abort();
    }

    ask(path, body) {
      return LS.ask(`/api/bringup/${this.run}${path}`, body, this.over.signal);
    }

    say(stage, text, tone) {
      if (!text) return;
      const box = part(stage + "-verdict");
      box.dataset.tone = tone || "";
      box.replaceChildren(LS.told("p", "bring-word", text));
    }

    async judge(stage) {
      if (this.busy) return;
      if (!part("sure").checked) return this.say(stage, "Not judged: tick first what stands under “Before power”.", "failed");
      const input = part(stage + "-given");
      this.busy = true;
      // Its room is made with the click, not when the verdict comes.
      part(stage + "-verdict").classList.add("open");
      this.mark();
      LS.wrong(`bring-${stage}-given`);
      this.say(stage, stage === "walk" ? "Looking …" : "Looking at two seconds from now on …");
      try {
        if (stage !== "walk") await LS.pause(SETTLE_MS);
        const { now_s: from } = await this.ask("");
        const told = await this.seconds({ stage, from, given: input ? input.value : "" });
        this.kept[stage] = told;
        this.tell(stage, told);
      } catch (error) {
        const [field, why] = LS.ofField(LS.why(error) || "", ["given"]);
        if (field && input) {
          LS.wrong(input.id, why);
          input.focus();
          this.say(stage, "Not judged: see the field above.", "failed");
        } else if (why) this.say(stage, `Not judged: ${why}`, "failed");
      } finally {
        this.busy = false;
      }
      if (!this.over.signal.aborted) this.mark();
    }

    async seconds(said) {
      let end = said.from, since = performance.now();
      for (;;) {
        const told = await this.ask("/judge", said);
        if (told.state === "judged") return told.kept;
        if (told.end_s > end) [end, since] = [told.end_s, performance.now()];
        if (performance.now() - since > PATIENCE_MS) throw new Error("no scans come; Live says why.");
        await LS.pause(EVERY_MS);
      }
    }

    tell(stage, told, earlier) {
      const box = part(stage + "-verdict"), word = LS.el("p", "bring-word"), list = LS.el("ul", "bring-checks");
      box.dataset.tone = told.verdict;
      word.append(LS.el("b", "", WORDS[told.verdict] || told.verdict), ...LS.words(`. ${told.text}`));
      for (const check of told.checks) {
        const item = LS.el("li", check.verdict);
        item.append(LS.el("span", "bring-what", check.what), LS.el("span", "bring-value", check.value), LS.el("span", "bring-wanted", `expected: ${check.expected}`),
          LS.el("span", "bring-mark", WORDS[check.verdict] || check.verdict));
        list.append(item);
      }
      box.replaceChildren(word, list, LS.el("p", "bring-at", `${earlier ? "Judged" : "Kept"} ${told.at}${told.given ? `, given ${told.given}` : ""}`));
    }

    /** Marks the stage that is next, and which buttons do nothing now. */
    mark() {
      const next = this.stages.find((stage) => !this.kept[stage] || this.kept[stage].verdict !== "passed");
      for (const stage of this.stages) {
        if (stage === next) part(stage).setAttribute("aria-current", "step");
        else part(stage).removeAttribute("aria-current");
        part(stage + "-judge").setAttribute("aria-disabled", String(this.busy));
      }
      const passed = this.stages.filter((stage) => this.kept[stage] && this.kept[stage].verdict === "passed").length;
      if (passed) LS.write(part("say"), passed === this.stages.length ? "All stages passed." : `${passed} of ${this.stages.length} stages passed.`);
    }
  }

  /** Without a run: goes on by itself as soon as one is recorded. */
  function wait() {
    const timer = setInterval(async () => {
      try {
        const { run } = await LS.ask("/api/bringup");
        if (run !== null && document.querySelector("[data-screen='bringup']:not([data-run])")) {
          clearInterval(timer);
          LS.go("/bringup/" + Math.trunc(run));
        }
      } catch (error) {
        // The next look may find one.
      }
    }, LOOK_MS);
    return () => clearInterval(timer);
  }

  LS.screen("bringup", (screen) => {
    if (!screen.dataset.run) return wait();
    const bringup = new BringUp(screen);
    bringup.begin();
    return () => bringup.end();
  });
})();
