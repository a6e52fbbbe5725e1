// Building elements. No markup is ever made from text, so nothing that was typed can become a script.

const SVG = "http://www.w3.org/2000/svg";

function filled(element, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "on") for (const [event, act] of Object.entries(value)) element.addEventListener(event, act);
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Return an HTML element; `on` holds its listeners. */
export function h(tag, props, ...children) {
  return filled(document.createElement(tag), props, children);
}

/** Return an SVG element. */
export function s(tag, props, ...children) {
  return filled(document.createElementNS(SVG, tag), props, children);
}

let count = 0;

/** Return an id that no other element has. */
export function fresh(stem) {
  count += 1;
  return `${stem}-${count}`;
}

/** Put children in the place of what a node holds; nothing stands for no child. */
export function put(node, ...children) {
  node.replaceChildren();
  return filled(node, {}, children);
}

/** Return a button. */
export function button(text, act, props) {
  return h("button", { type: "button", ...props, on: { click: act } }, text);
}

/** Let something happen once typing has paused. */
export function paused(act, ms) {
  let timer = 0;
  return (...args) => {
    clearTimeout(timer);
    timer = setTimeout(() => act(...args), ms);
  };
}

/** Say something to a screen reader. */
export function speak(text) {
  document.getElementById("spoken").textContent = text;
}
