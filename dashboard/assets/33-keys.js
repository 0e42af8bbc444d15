/* Keys of the Live screen, the sheet that lists them, markers, and a note without leaving the picture. */
(function () {
  "use strict";
  const LS = window.livesense;

  const KEYS = [
    ["p", "Pause the picture, or go on"], ["m", "Set a marker at this moment"], ["n", "Write a note"],
    ["s", "Steady picture"], ["r", "Running picture"], ["f", "60 pictures a second, or 30"], ["?", "This list"],
  ];

  /** Whether a key event is meant for the page and not for a field. */
  LS.isShortcut = function (event) {
    const { target } = event, typing = /^(input|textarea|select)$/i.test(target.tagName) && target.type !== "radio" && target.type !== "checkbox";
    return !typing && !event.ctrlKey && !event.metaKey && !event.altKey && !document.querySelector("dialog[open]");
  };

  /** A window over the page with a heading; it is put away when it closes. */
  LS.dialog = function (title, ...children) {
    const dialog = LS.el("dialog", "over"), head = LS.el("h2", "", title);
    head.id = "over-title";
    dialog.setAttribute("aria-labelledby", head.id);
    dialog.append(head, ...children);
    document.getElementById("screen").append(dialog);
    dialog.addEventListener("close", () => dialog.remove());
    dialog.showModal();
    return dialog;
  };

  LS.button = function (text, act, filled) {
    const button = LS.el("button", filled ? "press press-main" : "press", text);
    button.type = "button";
    button.addEventListener("click", act);
    return button;
  };

  /** Hands a note to the recorder of a run; returns what went wrong, or "". */
  LS.sendNote = async function (run, text) {
    try {
      const answer = await fetch(`/api/runs/${Math.trunc(run)}/notes`,
        { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ text }) });
      return answer.ok ? "" : await answer.text();
    } catch {
      return "The page's server does not answer.";
    }
  };

  LS.LiveKeys = class {
    constructor(live) {
      this.live = live;
      this.onKey = (event) => this.key(event);
      document.addEventListener("keydown", this.onKey);
      const button = document.getElementById("live-keys");
      if (button) button.addEventListener("click", () => this.list());
    }

    end() {
      document.removeEventListener("keydown", this.onKey);
      for (const dialog of document.querySelectorAll("dialog.over")) dialog.remove();
    }

    key(event) {
      if (!LS.isShortcut(event)) return;
      const acts = { p: () => this.pause(), m: () => this.mark(), n: () => this.note(), s: () => this.kind("steady"), r: () => this.kind("running"),
        f: () => this.live.setFast(!this.live.fast), "?": () => this.list() };
      const act = acts[event.key];
      if (!act) return;
      event.preventDefault();
      act();
    }

    pause() {
      const button = document.getElementById("live-pause");
      if (button) button.click();
    }

    kind(value) {
      window.dash_clientside.set_props("live-kind", { value });
    }

    say(text) {
      LS.write(document.getElementById("aloud"), text);
      LS.write(document.getElementById("live-said"), text || "\u00a0");
    }

    recording() {
      const { facts } = this.live;
      if (facts && facts.run !== null && facts.state === "recording") return facts.run;
      this.say("Nothing is being recorded: markers and notes belong to a recording.");
      return null;
    }

    async mark() {
      const run = this.recording();
      if (run === null) return;
      const numbers = (this.live.facts.marks || []).map((row) => /^Marker (\d+)$/.exec(row.text)).filter(Boolean).map((found) => Number(found[1]));
      // Several in a row may be set before the first comes back.
      this.last = Math.max(0, this.lastRun === run ? this.last : 0, ...numbers) + 1;
      this.lastRun = run;
      const text = `Marker ${this.last}`, trouble = await LS.sendNote(run, text);
      this.say(trouble || `${text} set.`);
    }

    note() {
      const run = this.recording();
      if (run === null) return;
      const field = LS.el("input"), label = LS.el("label", "over-field", "Note"), said = LS.el("p", "why", "\u00a0");
      field.maxLength = 2000;
      label.append(field);
      const send = async () => {
        const text = field.value.trim();
        if (!text) return field.focus();
        const trouble = await LS.sendNote(run, text);
        if (trouble) return LS.write(said, trouble);
        dialog.close();
        this.say("Note kept with the run.");
      };
      field.addEventListener("keydown", (event) => event.key === "Enter" && send());
      const row = LS.el("div", "over-row");
      row.append(LS.button("Keep", send, true), LS.button("Leave it", () => dialog.close()));
      const dialog = LS.dialog(`Note in run ${run}`, label, said, row);
      field.focus();
    }

    list() {
      const rows = LS.el("dl", "keys");
      for (const [key, text] of KEYS) {
        const dt = LS.el("dt");
        dt.append(LS.el("kbd", "", key));
        rows.append(dt, LS.el("dd", "", text));
      }
      const fast = LS.el("input"), label = LS.el("label", "over-check");
      fast.type = "checkbox";
      fast.checked = this.live.fast;
      fast.addEventListener("change", () => this.live.setFast(fast.checked));
      label.append(fast, document.createTextNode(" Draw 60 pictures a second (30 otherwise)"));
      const row = LS.el("div", "over-row");
      row.append(LS.button("Close", () => dialog.close(), true));
      const dialog = LS.dialog("Keys", rows, label, row);
    }
  };
})();
