/* The Runs screen: which runs are chosen, and what is done with them. */
(function () {
  "use strict";
  const LS = window.livesense;
  const SETTLED_MS = 200, PATIENCE_MS = 5000;
  let chosen = [];

  function say(text) {
    const box = document.getElementById("runs-said");
    if (box) LS.write(box, text);
  }

  function show() {
    const compare = document.getElementById("runs-compare"), remove = document.getElementById("runs-delete");
    if (!compare) return;
    // Not `disabled`: what cannot be done yet can still be reached, and says what it wants.
    compare.setAttribute("aria-disabled", String(chosen.length !== 2));
    remove.setAttribute("aria-disabled", String(!chosen.length));
    say(chosen.length ? `${chosen.length} chosen` : "");
  }

  function compare() {
    if (chosen.length !== 2) return say("Choose two runs with the boxes in front of them.");
    // The earlier one first: what came later is told as a change.
    const [first, second] = chosen.map((row) => row.run).sort((a, b) => a - b);
    LS.go(`/compare/${first}/${second}`);
  }

  function remove() {
    if (!chosen.length) return say("Choose runs with the boxes in front of them.");
    const rows = [...chosen], going = rows.filter((row) => row.state === "recording");
    if (going.length) return say(`Run ${going[0].run} is being recorded: it can be deleted when it has ended.`);
    const list = LS.el("ul", "over-list"), said = LS.el("p", "why", "\u00a0"), acts = LS.el("div", "over-row");
    for (const row of rows) list.append(LS.el("li", "", `Run ${row.run} ${row.name ? "\u201c" + row.name + "\u201d, " : ""}${row.started}, ${row.lasted}`));
    const what = rows.length === 1 ? "this run" : `these ${rows.length} runs`;
    const press = LS.button(`Delete ${what} for good`, async () => {
      press.disabled = true;
      LS.write(said, "Deleting.");
      try {
        await LS.ask("/api/runs/delete", { runs: rows.map((row) => row.run) });
        dialog.close();
        window.dash_clientside.set_props("runs-grid", { selectedRows: [] });
        window.dash_clientside.set_props("runs-again", { n_intervals: Date.now() });
        say(`Deleted ${rows.length === 1 ? "run " + rows[0].run : rows.length + " runs"}.`);
      } catch (error) {
        press.disabled = false;
        LS.tell(said, LS.why(error) || "\u00a0");
      }
    }, true);
    const leave = LS.button("Leave them", () => dialog.close());
    acts.append(leave, press);
    const dialog = LS.dialog(`Delete ${what}?`, list, LS.el("p", "", "Scans, events, notes and pictures of them are gone then, and cannot be had again."), said, acts);
    leave.focus();
  }

  /** Rows find their heights one after the other: the table is shown once they stand still. */
  async function settle(screen) {
    const began = performance.now();
    let before = null, since = began;
    while (screen.isConnected) {
      await LS.pause(40);
      const grid = document.getElementById("runs-grid"), now = performance.now();
      if (!grid || !grid.querySelector(".ag-header-cell")) continue;
      const stands = [...grid.querySelectorAll(".ag-row, .ag-header-cell")].map((box) => `${box.offsetTop} ${box.offsetHeight} ${box.offsetWidth}`).join();
      if (stands !== before) [before, since] = [stands, now];
      if (now - since > SETTLED_MS || now - began > PATIENCE_MS) return grid.classList.add("settled");
    }
  }

  LS.screen("runs", (screen) => {
    chosen = [];
    settle(screen);
    document.getElementById("runs-compare").addEventListener("click", compare);
    document.getElementById("runs-delete").addEventListener("click", remove);
    show();
    return null;
  });

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.livesense = Object.assign(window.dash_clientside.livesense || {}, {
    /** Called by Dash when the boxes in front of runs change. */
    runsChosen(rows) {
      chosen = rows || [];
      show();
      return String(chosen.length);
    },
  });
})();
