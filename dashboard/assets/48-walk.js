/* The known-current walk: step by step, what was seen, and what it proves. */
(function () {
  "use strict";
  const LS = window.livesense;
  // Longer than a scan takes from the device into the logbook: what is read came after the click.
  const SETTLE_MS = 500, EVERY_MS = 250, PATIENCE_MS = 6000, LOOK_MS = 2000, LOOKS = 40;
  const REST = "rest", MORE = "W-U";
  const FIELDS = ["current", "error", "volts-U-V", "volts-V-W", "volts-W-U", "volts-error"];

  const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  const part = (id) => document.getElementById("walk-" + id);

  class Walk {
    constructor(screen) {
      this.run = screen.dataset.run;
      this.key = `livesense.walk.${this.run}.${screen.dataset.began}`;
      this.screen = screen;
      this.over = new AbortController();
      this.windows = {};
      this.busy = false;
      this.asked = 0;
    }

    // Dash puts the screen's own parts into the page a moment after the screen.
    async begin() {
      while (!FIELDS.every((field) => part(field)) || !part("sure") || !part("more")) {
        if (this.over.signal.aborted) return;
        await pause(30);
      }
      const signal = { signal: this.over.signal };
      this.screen.addEventListener("click", (event) => {
        const item = event.target.closest("button") && event.target.closest("[data-step]");
        if (item) this.read(item.dataset.step);
      }, signal);
      part("over").addEventListener("click", () => this.anew(), signal);
      part("more").addEventListener("change", () => this.changed(), signal);
      for (const field of FIELDS) {
        part(field).addEventListener("change", () => this.changed(), signal);
        part(field).addEventListener("keydown", (event) => event.key === "Enter" && this.changed(), signal);
      }
      await this.restore();
      this.mark();
    }

    end() {
      this.over.abort();
    }

    wanted() {
      return [REST, "U-V", "V-W", ...(this.more ? [MORE] : [])];
    }

    say(step, text, tone) {
      const box = part(step + "-seen");
      box.dataset.tone = tone || "";
      LS.tell(box, text);
    }

    async ask(path, body) {
      const how = body === undefined ? {} : { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
      const answer = await fetch(`/api/walk/${this.run}/${path}`, { ...how, signal: this.over.signal });
      if (!answer.ok) throw new Error(await answer.text());
      return answer.json();
    }

    /** Says what went wrong with a request; nothing when the screen went. */
    why(error) {
      if (error.name === "AbortError") return null;
      return error instanceof TypeError ? "The page does not answer: is `livesense serve` still running?" : error.message;
    }

    async read(step) {
      if (this.busy) return;
      if (!part("sure").checked) return this.say(step, "Not read: tick first that the drive is dead, under “Before power”.", "bad");
      if (step !== REST && !this.windows[REST]) return this.say(step, "Not read: the rest comes first.", "bad");
      this.busy = true;
      this.forget(step);
      this.mark();
      this.say(step, "Reading two seconds from now on …");
      try {
        await pause(SETTLE_MS);
        const { now_s: from } = await this.ask("now");
        const told = await this.two_seconds(step, from);
        if (told.state === "read") this.windows[step] = [from, told.to_s];
        this.say(step, told.text, told.state === "read" ? "good" : "bad");
      } catch (error) {
        const why = this.why(error);
        if (why) this.say(step, why, "bad");
      } finally {
        this.busy = false;
      }
      if (!this.over.signal.aborted) this.changed();
    }

    async two_seconds(step, from) {
      let end = from, since = performance.now();
      for (;;) {
        const told = await this.ask("reading", { step, from, rest: this.windows[REST] || null });
        if (told.state !== "waiting") return told;
        if (told.end_s > end) [end, since] = [told.end_s, performance.now()];
        if (performance.now() - since > PATIENCE_MS) return { state: "refused", text: "Not read: no scans come; Live says why." };
        await pause(EVERY_MS);
      }
    }

    /** What was read of a step counts no more; after a new rest nothing does. */
    forget(step) {
      const gone = step === REST ? [REST, "U-V", "V-W", MORE] : [step];
      for (const name of gone) {
        if (this.windows[name] && name !== step) this.say(name, "Read it again: the rest is a new one.");
        delete this.windows[name];
      }
    }

    anew() {
      if (this.busy) return;
      this.windows = {};
      for (const step of [REST, "U-V", "V-W", MORE]) this.say(step, "");
      this.changed();
      part(REST + "-read").focus();
    }

    /** Marks the step that is next, and which buttons do nothing now. */
    mark() {
      const next = this.wanted().find((step) => !this.windows[step]);
      for (const item of this.screen.querySelectorAll("[data-step]")) {
        const step = item.dataset.step;
        if (step === next) item.setAttribute("aria-current", "step");
        else item.removeAttribute("aria-current");
        part(step + "-read").setAttribute("aria-disabled", String(this.busy || (step !== REST && !this.windows[REST])));
      }
      part(MORE).hidden = !this.more;
    }

    changed() {
      this.more = part("more").checked;
      if (!this.more) {
        delete this.windows[MORE];
        this.say(MORE, "");
      }
      this.mark();
      this.save();
      return this.judge();
    }

    texts() {
      return Object.fromEntries(FIELDS.map((field) => [field, part(field).value]));
    }

    save() {
      sessionStorage.setItem(this.key, JSON.stringify({ windows: this.windows, texts: this.texts(), more: this.more }));
    }

    async restore() {
      let kept = null;
      try {
        kept = JSON.parse(sessionStorage.getItem(this.key));
      } catch (error) {
        kept = null;
      }
      if (!kept) return;
      this.more = Boolean(kept.more);
      window.dash_clientside.set_props("walk-more", { checked: this.more });
      for (const field of FIELDS) window.dash_clientside.set_props("walk-" + field, { value: kept.texts[field] || "" });
      for (const step of this.wanted().filter((name) => kept.windows[name])) {
        try {
          const told = await this.ask("reading", { step, from: kept.windows[step][0], rest: this.windows[REST] || null });
          if (told.state === "read") this.windows[step] = kept.windows[step];
          this.say(step, told.text || "", told.state === "read" ? "good" : "bad");
        } catch (error) {
          const why = this.why(error);
          if (why) this.say(step, why, "bad");
        }
      }
      await pause(50);
      if (!this.over.signal.aborted) this.judge();
    }

    async judge() {
      const texts = this.texts(), turn = (this.asked += 1);
      const ready = this.wanted().every((step) => this.windows[step]);
      const volts = Object.fromEntries(["U-V", "V-W", MORE].map((name) => [name, texts["volts-" + name]]));
      const begun = ready || FIELDS.some((field) => texts[field].trim());
      if (!begun) return this.tell(null, {}, ready);
      const windows = Object.fromEntries(this.wanted().filter((name) => this.windows[name]).map((name) => [name, this.windows[name]]));
      const said = { judge: ready, windows, current: texts.current, error: texts.error, volts, volts_error: texts["volts-error"] };
      try {
        const told = await this.ask("verdict", said);
        if (turn !== this.asked) return;
        this.said = said;
        this.tell(told.verdict, told.problems, ready);
      } catch (error) {
        const why = this.why(error);
        if (why && turn === this.asked) this.tell(null, {}, ready, why);
      }
    }

    tell(verdict, problems, ready, why) {
      const texts = this.texts();
      for (const field of FIELDS) {
        // An empty field is no mistake yet while there are steps to read.
        const wrong = problems[field] && (ready || texts[field].trim()) ? problems[field] : null;
        window.dash_clientside.set_props("walk-" + field, { error: wrong });
      }
      const sentence = part("sentence"), box = part("told");
      sentence.dataset.tone = verdict ? (verdict.proven ? "good" : "bad") : "";
      LS.tell(sentence, why || (verdict ? verdict.sentence : ready ? "Say above what was pushed: current and error of its meter."
        : "Comes when all steps are read."));
      box.replaceChildren(...(verdict ? this.parts(verdict) : []));
    }

    parts(verdict) {
      const list = LS.el("dl", "walk-channels");
      for (const row of [...verdict.channels, ...verdict.left]) {
        list.append(LS.el("dt", "", row.name));
        const said = LS.told("dd", row.kind && row.kind !== "proven" ? "bad" : "", row.text);
        if (row.fix) {
          const fix = LS.el("p", "walk-fix", "Fix: ");
          fix.append(LS.el("code", "", row.fix));
          said.append(fix);
        }
        list.append(said);
      }
      const found = [list];
      if (verdict.gains.length) found.push(this.gains(verdict.gains));
      for (const row of verdict.resistance) {
        found.push(LS.el("p", "walk-ohms", `Lead to lead ${row.step}: ${row.text}; at the temperature the winding has now, up to where the volts were sensed`));
      }
      if (verdict.proven) found.push(...this.keeping());
      const what = verdict.proven ? "So does this command, of the same scans, also when the run is over."
        : "Mend it, record anew and walk again. This command judges the same scans, and writes the fixes that there are into a new bench file.";
      found.push(LS.el("p", "advice", what), this.command(verdict.command));
      return found;
    }

    keeping() {
      const box = LS.el("div", "walk-keep"), button = LS.el("button", "choice", "Keep"), answer = LS.el("p", "");
      button.id = "walk-keep";
      button.type = "button";
      answer.id = "walk-kept";
      answer.setAttribute("role", "status");
      LS.write(answer, "Nothing is kept yet. This asks the run's recorder to keep a scale of each channel, for runs after this one.");
      button.addEventListener("click", () => this.keep(button, answer, this.said));
      box.append(button, answer);
      return [box];
    }

    async keep(button, answer, said) {
      if (button.getAttribute("aria-disabled") === "true") return;
      button.setAttribute("aria-disabled", "true");
      LS.write(answer, "Asked; its recorder judges the same scans …");
      let again = true;
      try {
        const { request } = await this.ask("keep", said);
        let told = null;
        for (let look = 0; look < LOOKS && told === null; look += 1) {
          await pause(EVERY_MS);
          told = (await this.ask("keep/" + request)).answer;
        }
        // What is kept need not be kept twice.
        again = told === null || told.startsWith("nothing");
        LS.tell(answer, told === null ? "The recorder has not answered: it may have ended." : told);
      } catch (error) {
        LS.tell(answer, this.why(error) || "");
      }
      if (again) button.removeAttribute("aria-disabled");
    }

    gains(rows) {
      const box = LS.el("div", "run-figures run-scroll walk-gains"), table = LS.el("table"), body = LS.el("tbody");
      box.tabIndex = 0;
      box.setAttribute("role", "region");
      box.setAttribute("aria-label", "Gains against each other");
      table.append(LS.el("caption", "", "Gains against each other, by the one current through them in series; ± is k = 2"));
      const head = LS.el("thead"), titles = LS.el("tr");
      for (const title of ["Channel", "Against the mean", "Where none flows"]) titles.append(this.head("col", title));
      head.append(titles);
      for (const row of rows) {
        const line = LS.el("tr");
        line.append(this.head("row", row.name), LS.el("td", "", row.relative), LS.el("td", "", row.idle));
        body.append(line);
      }
      table.append(head, body);
      box.append(table);
      return box;
    }

    head(scope, text) {
      const cell = LS.el("th", "", text);
      cell.scope = scope;
      return cell;
    }

    command(text) {
      const box = LS.el("div", "walk-command"), code = LS.el("code", "", text), button = LS.el("button", "choice", "Copy");
      code.id = "walk-command";
      button.type = "button";
      button.addEventListener("click", async () => {
        try {
          await navigator.clipboard.writeText(text);
          LS.write(button, "Copied");
        } catch (error) {
          window.getSelection().selectAllChildren(code);
        }
      });
      box.append(code, button);
      return box;
    }
  }

  /** Without a run: goes on by itself as soon as one is recorded. */
  function wait() {
    const timer = setInterval(async () => {
      try {
        const answer = await fetch("/api/walk");
        const { run } = answer.ok ? await answer.json() : { run: null };
        if (run !== null && document.querySelector("[data-screen='walk']:not([data-run])")) {
          clearInterval(timer);
          LS.go("/walk/" + Math.trunc(run));
        }
      } catch (error) {
        // The server is away; the next look may find it.
      }
    }, LOOK_MS);
    return () => clearInterval(timer);
  }

  LS.screen("walk", (screen) => {
    if (!screen.dataset.run) return wait();
    const walk = new Walk(screen);
    walk.begin();
    return () => walk.end();
  });
})();
