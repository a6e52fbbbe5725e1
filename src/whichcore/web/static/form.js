// Fields with a label, an example and a place for their error.

import { fresh, h } from "./dom.js";

/** A text field. `set` is called with what is typed. */
export function textField(label, value, set, more = {}) {
  const id = fresh("field");
  const input = h(more.lines ? "textarea" : "input", {
    id, name: more.name, type: more.lines ? undefined : more.type ?? "text", rows: more.lines, value: value ?? "", placeholder: more.example, autocomplete: "off",
    spellcheck: "false", required: more.needed, list: more.list, "aria-describedby": `${id}-hint ${id}-error`, inputmode: more.inputmode,
    on: { input: () => set(input.value), focus: () => more.focus?.(), blur: () => more.blur?.() },
  });
  // a file that was mended may be chosen again
  if (more.type === "file") input.addEventListener("click", () => { input.value = ""; });
  const error = h("p", { class: "error", id: `${id}-error`, hidden: true });
  const hint = h("p", { class: "hint", id: `${id}-hint` }, more.hint ?? "");
  const node = h("div", { class: "field" }, h("label", { for: id }, label, more.needed ? h("span", { class: "needed" }, " needed") : null), input, error, more.hint ? hint : null);
  return {
    node, input,
    wrong(text) {
      error.hidden = !text;
      error.textContent = text ?? "";
      if (text) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
    },
  };
}

/** A choice out of a list of [value, text]. */
export function choice(label, options, value, set, more = {}) {
  const id = fresh("choice");
  const input = h("select", { id, name: more.name, on: { change: () => set(input.value), focus: () => more.focus?.() } },
    options.map(([key, text]) => h("option", { value: key, selected: key === value }, text)));
  const hint = h("p", { class: "hint" }, more.hint ?? "");
  return { node: h("div", { class: "field" }, h("label", { for: id }, label), input, more.hint ? hint : null), input };
}

/** Something to tick. */
export function tick(label, value, set, more = {}) {
  const id = fresh("tick");
  const input = h("input", { id, type: "checkbox", name: more.name, checked: value, disabled: more.off, "aria-describedby": `${id}-hint`, on: { change: () => set(input.checked) } });
  return { node: h("div", { class: "field tick" }, input, h("label", { for: id }, label), h("p", { class: "hint", id: `${id}-hint` }, more.hint ?? "")), input };
}

/** One of a few, as radio buttons that look like tabs. */
export function pick(legend, options, value, set) {
  const name = fresh("pick");
  return h("fieldset", { class: "pick" }, h("legend", {}, legend), options.map(([key, text, off]) => {
    const id = fresh("pick");
    return h("div", {}, h("input", { type: "radio", id, name, value: key, checked: key === value, disabled: off, on: { change: () => set(key) } }), h("label", { for: id }, text));
  }));
}
