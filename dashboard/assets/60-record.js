/* Starting, watching and stopping recorders; notes, marks and a meter's word for the run that is recorded. */
(function () {
  "use strict";
  const LS = window.livesense;
  const LOOK_MS = 1000;

  const part = (id) => document.getElementById("rec-" + id);
  const say = (id, text, tone) => {
    part(id).dataset.tone = tone || "";
    LS.tell(part(id), text);
  };

  class Record {
    constructor(screen) {
      this.screen = screen;
      this.over = new AbortController();
      this.runs = [];
      this.shown = {};
      this.refused = {};
    }

    async begin() {
      // Dash puts the screen's own parts into the page a moment after the screen.
      while (!["start", "list", "identify", "add", "mark", "compare"].every(part)) {
        if (this.over.signal.aborted) return;
        await LS.pause(30);
      }
      LS.fields(this.screen);
      const on = (id, what) => part(id).addEventListener("click", what, { signal: this.over.signal });
      on("list", () => this.list());
      on("start", () => this.start());
      on("identify", () => this.identify());
      on("add", () => this.note(part("note").value.trim()));
      on("mark", () => this.note(part("note").value.trim() || "Mark", "Marked"));
      on("compare", () => this.compare());
      part("note").addEventListener("keydown", (event) => event.key === "Enter" && part("add").click(), { signal: this.over.signal });
      part("bench").addEventListener("change", () => this.ownPort(), { signal: this.over.signal });
      part("run").addEventListener("change", () => this.look(), { signal: this.over.signal });
      this.screen.addEventListener("click", (event) => {
        // With a run, the script of calibrations asks its recorder.
        if (event.target.closest("#zero-take") && this.run() === null) LS.write(document.getElementById("zero-answer"), "Nothing is being recorded: start a recording above.");
      }, { signal: this.over.signal });
      this.list();
      while (!this.over.signal.aborted) {
        await this.look();
        // How high the upper part is, is known now: what is below it may be seen.
        this.screen.dataset.looked = "yes";
        await LS.pause(LOOK_MS);
      }
    }

    end() {
      this.over.abort();
    }

    ask(path, body) {
      return LS.ask("/api/record" + path, body, this.over.signal);
    }

    /** Does something with a button that waits meanwhile; what goes wrong is said at the place for its answer. */
    doing(button, answer, what) {
      return LS.once(part(button), async () => {
        try {
          await what();
        } catch (error) {
          const why = LS.why(error);
          if (why) say(answer, why, "bad");
        }
      });
    }

    list() {
      return this.doing("list", "started", async () => {
        const { ports, of } = await this.ask("/ports");
        const data = ports.map((row) => ({ value: row.port, label: row.about ? `${row.port} (${row.about})` : row.port }));
        const first = !part("port").value;
        LS.choices(part("port"), data);
        this.portOf = of;
        if (first) this.ownPort();
        const none = "No port is there: plug the board in, then list again.";
        if (!ports.length) say("started", none);
        else if (part("started").textContent === none) say("started", "");
      });
    }

    /** A bench file's own port is the one to begin with: another may be another board. */
    ownPort() {
      const port = (this.portOf || {})[part("bench").value];
      if (port && [...part("port").options].some((option) => option.value === port)) part("port").value = port;
    }

    start() {
      return this.doing("start", "started", async () => {
        const bench = part("bench").value, port = part("port").value;
        if (bench === "") return say("started", "Not started: this page has no bench file.", "bad");
        if (!port) return say("started", "Not started: choose a port first.", "bad");
        say("started", "Starting …");
        await this.ask("/start", { bench: Number(bench), port, name: part("name").value });
        say("started", "A recorder is starting; what comes of it stands at the top.");
        part("name").value = "";
        await this.look();
      });
    }

    identify() {
      return this.doing("identify", "carries", async () => {
        const port = part("port").value;
        if (!port) return say("carries", "Choose a port above first.", "bad");
        say("carries", "Listening; this takes some seconds …");
        part("evidence").replaceChildren();
        const found = await this.ask("/identify", { port });
        const at = found.baud ? ` at ${found.baud} Bd` : "", rate = found.rate_hz ? `, about ${Number(found.rate_hz.toPrecision(4))} scans a second` : "";
        say("carries", found.wire === null ? "Nothing that livesense knows came over this line."
          : `The wire is ${found.wire}${at}: ${found.channels.length} channels (${found.channels.join(", ")})${rate}; confidence ${Math.round(found.confidence * 100)} %.`,
          found.wire === null ? "bad" : "good");
        const list = LS.el("ul");
        for (const text of found.evidence) list.append(LS.el("li", "", text));
        part("evidence").append(list);
        if (found.bench) part("evidence").append(LS.textBox("A bench file to start from", found.bench));
      });
    }

    note(text, done) {
      return this.doing(done ? "mark" : "add", "noted", async () => {
        if (!text) return say("noted", "Write a note first.", "bad");
        const run = this.run();
        if (run === null) return say("noted", "Nothing is being recorded: start a recording above.", "bad");
        await this.ask(`/${run}/note`, { text });
        say("noted", `${done || "Noted"} with run ${run}.`, "good");
        part("note").value = "";
        await LS.pause(300);
        await this.look();
      });
    }

    compare() {
      return this.doing("compare", "agrees", async () => {
        const run = this.run();
        if (run === null) return say("agrees", "Nothing is being recorded: start a recording above.", "bad");
        for (const field of ["value", "error"]) LS.wrong("rec-" + field);
        say("agrees", "Reading the newest two seconds …");
        try {
          const said = { channel: part("channel").value, value: part("value").value, error: part("error").value };
          const told = await this.ask(`/${run}/meter`, said);
          say("agrees", `Run ${run}: ${told.text}`, told.agrees ? "good" : "bad");
        } catch (error) {
          const [field, why] = LS.ofField(LS.why(error) || "", ["value", "error", "channel"]);
          if (!why) return;
          if (["value", "error"].includes(field)) {
            LS.wrong("rec-" + field, why);
            part(field).focus();
            say("agrees", "");
          } else say("agrees", why, "bad");
        }
      });
    }

    /** Number of the run that notes, marks, meter and zeros are for; null without one. */
    run() {
      if (!this.runs.length) return null;
      const chosen = Number(part("run").value);
      return this.runs.includes(chosen) && part("which").hidden === false ? chosen : this.best;
    }

    choose() {
      const run = this.run();
      if (run === this.chosen) return;
      const sure = document.getElementById("zero-sure");
      // Who said that a drive is off said it of the one that was chosen then.
      if (sure && sure.checked) sure.click();
      this.chosen = run;
      if (run === null) delete this.screen.dataset.run;
      else this.screen.dataset.run = String(run);
      this.channelsOf = null;
    }

    /** Says at each place that acts on a run which one that is. */
    acts(rows) {
      const row = rows.find((one) => one.run === this.chosen);
      const name = row && row.name ? ` “${row.name}”` : "", several = rows.length > 1;
      for (const box of this.screen.querySelectorAll(".rec-for")) {
        const other = !several ? "" : box.closest("#notes") ? "; another one can be chosen here" : "; another one is chosen under Notes";
        LS.write(box, row ? `For run ${row.run}${name} from ${row.port}${other}.` : "For the run that is being recorded; none is.");
      }
      const take = document.querySelector("#zero-take .mantine-Button-label");
      if (take) LS.write(take, row ? `Take zeros of run ${row.run}` : "Take zeros");
    }

    async channels(recording) {
      if (!recording || !recording.holds_scans || this.channelsOf === recording.run) return;
      this.channelsOf = recording.run;
      const { channels } = await this.ask(`/${recording.run}/channels`);
      LS.choices(part("channel"), channels.map((c) => ({ value: c.name, label: `${c.name} (${c.figure}, ${c.unit})` })));
    }

    async look() {
      try {
        const told = await this.ask("");
        this.tell(told);
        await this.channels(told.recordings.find((row) => row.run === this.chosen));
      } catch (error) {
        const why = LS.why(error);
        if (!why) return;
        this.headline(why, "Recorders go on by themselves; only this page is away.", "bad");
      }
    }

    headline(text, advice, tone) {
      say("say", text, tone);
      LS.tell(part("advice"), advice || "\u00a0");
    }

    tell(told) {
      this.runs = told.recordings.map((row) => row.run);
      this.best = (told.recordings.find((row) => row.holds_scans) || told.recordings[0] || { run: null }).run;
      const several = this.runs.length > 1, key = this.runs.join();
      if (key !== this.shown.runs) {
        this.shown.runs = key;
        part("which").hidden = !several;
        LS.choices(part("run"), told.recordings.map((row) => ({ value: String(row.run), label: `Run ${row.run} from ${row.port}` })));
        if (several && !this.runs.includes(this.chosen)) part("run").value = String(this.best);
      }
      this.choose();
      this.acts(told.recordings);
      const bad = told.ends.find((end) => end.bad);
      const troubled = told.recordings.find((row) => row.trouble);
      if (told.recordings.length) {
        const runs = told.recordings.map((row) => row.run), last = runs.pop();
        const names = runs.length ? `runs ${runs.join(", ")} and ${last}` : `run ${last}`;
        this.headline(`Recording ${names}.`, troubled ? `Run ${troubled.run}: ${troubled.trouble}`
          : several ? "Live shows one of them; all go on when this page is closed." : "Live shows it; it goes on when this page is closed.", troubled ? "bad" : "");
      } else if (told.starting.length) this.headline("A recorder is starting.", `On ${told.starting.map((s) => s.port).join(", ")}.`);
      else this.headline("Nothing is being recorded.", bad ? "The last recorder did not end well; see below."
        : part("bench").options.length ? "Choose a bench file and a port below, then start." : "This page has no bench file to start one with; see below.");
      this.cards(told.recordings);
      this.ends(told.ends);
      this.notes(told.recordings.find((row) => row.run === this.chosen));
    }

    cards(rows) {
      const box = part("runs"), kept = new Set(rows.map((row) => `rec-card-${row.run}`));
      for (const card of [...box.children]) if (!kept.has(card.id)) card.remove();
      // A card that stays is neither made anew nor moved: its button may have the keyboard's focus.
      rows.forEach((row, at) => {
        if (!document.getElementById(`rec-card-${row.run}`)) box.insertBefore(this.card(row), box.children[at] || null);
      });
      for (const row of rows) {
        LS.write(document.getElementById(`rec-name-${row.run}`), row.name || `Run ${row.run}`);
        LS.write(document.getElementById(`rec-about-${row.run}`), `Run ${row.run} · ${row.bench} · ${row.port} · since ${row.began}`);
        LS.tell(document.getElementById(`rec-lasted-${row.run}`), `${LS.lasting(row.seconds)} ${row.stopping || this.refused[row.run] || ""}`.trim());
      }
    }

    card(row) {
      const box = LS.el("div", "rec-card"), name = LS.el("p", "rec-name");
      const about = LS.el("p", "advice"), lasted = LS.el("p", "rec-lasted");
      box.id = `rec-card-${row.run}`;
      name.id = `rec-name-${row.run}`;
      about.id = `rec-about-${row.run}`;
      lasted.id = `rec-lasted-${row.run}`;
      const stop = LS.el("button", "choice strong", "Stop recording"), open = LS.el("a", "", "Open it");
      stop.type = "button";
      stop.id = `rec-stop-${row.run}`;
      stop.setAttribute("aria-label", `Stop recording run ${row.run}`);
      stop.addEventListener("click", async () => {
        // Not `disabled`: that would take the keyboard's focus away from it.
        if (stop.getAttribute("aria-disabled") === "true") return;
        stop.setAttribute("aria-disabled", "true");
        delete this.refused[row.run];
        try {
          await this.ask(`/${row.run}/stop`, {});
        } catch (error) {
          this.refused[row.run] = `Not stopped: ${LS.why(error) || ""}`;
          stop.removeAttribute("aria-disabled");
        }
        await this.look();
      });
      LS.linkTo(open, LS.runPath(row.run));
      open.setAttribute("aria-label", `Open run ${row.run}`);
      const live = LS.el("a", "", "Live");
      LS.linkTo(live, "/");
      const links = LS.el("p", "advice rec-links");
      links.append(live, open);
      box.append(name, about, lasted, stop, links);
      return box;
    }

    ends(rows) {
      const key = rows.map((row) => row.key).join();
      if (key === this.shown.ends) return;
      this.shown.ends = key;
      part("ends").replaceChildren(...rows.map((row) => {
        const box = LS.el("p", row.bad ? "rec-end bad" : "rec-end"), button = LS.el("button", "as-link", "Read it");
        box.append(LS.el("span", "at", row.at), ...LS.words(` ${row.text} `));
        if (row.run !== null) {
          const open = LS.el("a", "", `Open run ${row.run}`);
          LS.linkTo(open, LS.runPath(row.run));
          box.append(open, document.createTextNode(" "));
        }
        button.type = "button";
        LS.write(button, "Dismiss");
        button.setAttribute("aria-label", `Dismiss: ${row.text}`);
        button.addEventListener("click", async () => {
          try {
            await this.ask(`/told/${row.key}`, {});
            await this.look();
          } catch (error) {
            // It stays until the page answers again.
          }
        });
        box.append(button);
        return box;
      }));
    }

    notes(row) {
      const notes = row ? row.notes : [], key = JSON.stringify(notes);
      if (key === this.shown.notes) return;
      this.shown.notes = key;
      part("notes").replaceChildren(...notes.map((note) => LS.el("p", "", note.text)));
    }
  }

  LS.screen("record", (screen) => {
    const record = new Record(screen);
    record.begin();
    return () => record.end();
  });
})();
