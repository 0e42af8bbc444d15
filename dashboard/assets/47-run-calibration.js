/* Asking a run's recorder for zeros, points and scales, and what came of it. */
(function () {
  "use strict";
  const LS = window.livesense;
  const LOOKS = 40, EVERY_MS = 250;
  const FIELDS = ["channels", "value", "error", "meter"];
  const HEAD = ["Channel", "Reference", "Code", "Residual", "Meter", ""];

  const part = (id) => document.getElementById(id);
  const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

  /** Asks the recorder for something; resolves with its answer, or with why there is none. */
  async function asked(number, kind, body) {
    try {
      const how = body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
      const told = await fetch(`/api/runs/${number}/${kind}`, { method: "POST", ...how });
      if (!told.ok) return `Not asked: ${await told.text()}`;
      const { request } = await told.json();
      for (let look = 0; look < LOOKS; look += 1) {
        await pause(EVERY_MS);
        const again = await fetch(`/api/runs/${number}/${kind}/${request}`);
        if (!again.ok) return await again.text();
        const { answer } = await again.json();
        if (answer !== null) return answer;
      }
      return "The recorder has not answered: it may have ended.";
    } catch (error) {
      return "The page does not answer: is `livesense serve` still running?";
    }
  }

  async function take(button, number) {
    // Where several may be recorded, the answer says of which it is.
    const of = button.closest("#zeros") ? `Run ${number}: ` : "";
    const say = (text) => part("zero-answer") && LS.tell(part("zero-answer"), text);
    if (!part("zero-sure").checked) return say(button.closest(".zero-form").dataset.unsure);
    await LS.once(button, async () => {
      say(`${of}Asked; the last two seconds are looked at …`);
      say(of + await asked(number, "zero"));
    });
  }

  /** Has the recorder do something with points; the list is drawn anew with what came of it. */
  async function change(button, number, kind, body) {
    const say = (text) => part("point-answer") && LS.tell(part("point-answer"), text);
    button.disabled = true;
    say(kind === "point" ? "Asked; the last two seconds are averaged …" : "Asked …");
    const answer = await asked(number, kind, body);
    button.disabled = false;
    say(answer[0].toUpperCase() + answer.slice(1) + (/[.!?]$/.test(answer) ? "" : "."));
    await show(number);
  }

  async function show(number) {
    const box = part("points-waiting");
    if (!box) return;
    const told = await fetch(`/api/runs/${number}/points`).then((r) => (r.ok ? r.json() : r.text()), () => null);
    if (told === null) return;
    if (typeof told === "string") return box.replaceChildren(LS.told("p", "advice", told));
    if (!told.points.length) return box.replaceChildren(LS.el("p", "advice", "No points wait to be made a scale of."));
    const keep = LS.el("button", "choice keep-scale", "Keep the scale");
    keep.type = "button";
    keep.dataset.keep = "yes";
    keep.disabled = !told.ready;
    box.replaceChildren(table(told.points), ...told.fits.map((fit) => LS.told("p", fit.bad ? "advice bad" : "advice", fit.text)), keep);
  }

  function table(points) {
    const box = LS.el("div", "run-figures points-table"), made = LS.el("table"), head = LS.el("tr");
    for (const text of HEAD) {
      const cell = LS.el(text ? "th" : "td", "", text);
      if (text) cell.scope = "col";
      head.append(cell);
    }
    const body = LS.el("tbody");
    for (const point of points) {
      const row = LS.el("tr"), away = LS.el("button", "as-link", "Throw away");
      away.type = "button";
      away.dataset.discard = point.number;
      away.setAttribute("aria-label", `Throw away the point of ${point.channel} at ${point.reference}`);
      const name = LS.el("th", "", point.channel);
      name.scope = "row";
      row.append(name, ...[point.reference, point.code, point.residual || "–", point.meter].map((text) => LS.el("td", "", text)), LS.el("td"));
      row.lastChild.append(away);
      body.append(row);
    }
    const top = LS.el("thead");
    top.append(head);
    made.append(top, body);
    box.append(made);
    box.tabIndex = 0;
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", "Points that wait");
    return box;
  }

  // The screen comes and goes; the document stays.
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("button");
    const screen = button && button.closest("[data-run]");
    if (!screen || !button.closest("#calibration, #zeros")) return;
    const number = screen.dataset.run;
    if (button.id === "zero-take") take(button, number);
    else if (button.id === "point-add") change(button, number, "point", Object.fromEntries(FIELDS.map((f) => [f, part("point-" + f).value])));
    else if (button.dataset.keep) change(button, number, "scale");
    else if (button.dataset.discard) change(button, number, "discard", { point: Number(button.dataset.discard) });
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.closest && event.target.closest("#calibration [data-field]")) part("point-add").click();
  });
  document.addEventListener("toggle", (event) => {
    const screen = event.target.id === "calibrate" && event.target.open && event.target.closest("[data-run]");
    if (screen) show(screen.dataset.run);
  }, true);
})();
