/* Asking the server for something, and saying what went wrong with it. */
(function () {
  "use strict";
  const LS = window.livesense;

  LS.pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

  /** Asks for JSON, with a body as POST; throws an Error whose message is the server's own words where it refuses. */
  LS.ask = async function (path, body, signal) {
    const how = body === undefined ? {} : { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
    const answer = await fetch(path, { ...how, signal });
    if (!answer.ok) {
      const html = (answer.headers.get("Content-Type") || "").startsWith("text/html");
      throw new Error(html ? "The page was started again: open the address that it printed." : await answer.text());
    }
    const made = await answer.json();
    if (made && typeof made.refused === "string") throw new Error(made.refused);
    return made;
  };

  /** Says what went wrong with a request; null when its screen went. */
  LS.why = function (error) {
    if (error.name === "AbortError") return null;
    return error instanceof TypeError ? "The page does not answer: is `livesense serve` still running?" : error.message;
  };

  /** Splits "value: expected …" into the field's name and the words; no field where none of these begins it. */
  LS.ofField = function (text, fields) {
    const field = fields.find((name) => text.startsWith(name + ": "));
    return field ? [field, text.slice(field.length + 2)] : [null, text];
  };

  /** Makes the fields whose places are kept in a screen: a label, an input or a choice, and room for what is wrong. */
  LS.fields = function (within) {
    for (const place of within.querySelectorAll("[data-field]")) {
      if (place.firstChild) continue;
      const words = place.dataset;
      place.append(...LS.field({
        id: words.field, label: words.label, hint: words.hint, example: words.example, most: words.most,
        choices: words.choices === undefined ? undefined : JSON.parse(words.choices),
      }));
    }
  };

  /** Parts of one field: label, input (or select where there are choices), hint, and what is wrong. */
  LS.field = function ({ id, label, hint, example, most, choices, value }) {
    const name = LS.el("label", "field-name", label), wrong = LS.el("p", "field-wrong");
    const input = LS.el(choices === undefined ? "input" : "select", "field-input");
    input.id = id;
    name.htmlFor = id;
    wrong.id = id + "-wrong";
    input.setAttribute("aria-describedby", wrong.id);
    if (choices === undefined) {
      input.type = "text";
      input.autocomplete = "off";
      input.spellcheck = false;
      if (example) input.placeholder = example;
      if (most) input.maxLength = Number(most);
    } else LS.choices(input, choices);
    if (value !== undefined) input.value = value;
    const parts = [name, input, wrong];
    if (hint) {
      const help = LS.el("p", "field-hint", hint);
      help.id = id + "-hint";
      input.setAttribute("aria-describedby", `${help.id} ${wrong.id}`);
      parts.splice(2, 0, help);
    }
    return parts;
  };

  /** Puts choices into a select; what was chosen stays where it is still there. */
  LS.choices = function (select, choices) {
    const kept = select.value;
    select.replaceChildren(...choices.map(({ value, label }) => {
      const option = LS.el("option", "", label);
      option.value = value;
      return option;
    }));
    if (choices.some(({ value }) => value === kept)) select.value = kept;
  };

  /** Does something with a button that waits meanwhile. Not `disabled`: that would take the keyboard's focus away. */
  LS.once = async function (button, what) {
    if (button.getAttribute("aria-disabled") === "true") return;
    button.setAttribute("aria-disabled", "true");
    try {
      await what();
    } finally {
      button.removeAttribute("aria-disabled");
    }
  };

  /** Says what is wrong with a field; nothing where it is right. */
  LS.wrong = function (id, why) {
    const input = document.getElementById(id), box = document.getElementById(id + "-wrong");
    if (!input || !box) return;
    LS.tell(box, why || "");
    if (why) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
  };

  /** A text of several lines to be read and copied. */
  LS.textBox = function (title, text) {
    const box = LS.el("div", "text-box"), head = LS.el("p", "row"), pre = LS.el("pre", "", text), copy = LS.el("button", "choice", "Copy");
    pre.tabIndex = 0;
    pre.setAttribute("role", "region");
    pre.setAttribute("aria-label", title);
    copy.type = "button";
    copy.addEventListener("click", async () => {
      try {
        await navigator.clipboard.writeText(text);
        LS.write(copy, "Copied");
      } catch (error) {
        window.getSelection().selectAllChildren(pre);
      }
    });
    head.append(LS.el("span", "caption", title), copy);
    box.append(head, pre);
    return box;
  };
})();
