// Errors, warnings and waiting, where they arise.

import { h, put } from "./dom.js";
import { Fault } from "./talk.js";

/** Return an error as one line of text. */
export function lineOf(error) {
  return error instanceof Fault ? error.line : error.message;
}

/** A place for one line: an error, a piece of news, or nothing. */
export class Place {
  constructor() {
    this.node = h("div", { class: "place", role: "status", "aria-live": "polite" });
  }

  clear() {
    put(this.node);
  }

  error(error) {
    if (!(error instanceof Fault) && !(error instanceof Error)) throw error;
    put(this.node, h("p", { class: "error" }, h("strong", {}, "Not done. "), lineOf(error)));
  }

  news(...content) {
    put(this.node, h("p", { class: "news" }, ...content));
  }

  waiting(text) {
    put(this.node, h("p", { class: "waiting" }, text));
  }
}

/** Do something that asks the server; its error stands in the place given. */
export async function attempt(place, act, busy = null) {
  if (busy) busy.disabled = true;
  try {
    place.clear();
    return await act();
  } catch (error) {
    place.error(error);
    return undefined;
  } finally {
    if (busy) busy.disabled = false;
  }
}

/** Return a warning without the place of a file that the page made itself. */
function tidy(text) {
  const said = text.replace(/^(?:\S*\.toml|specimen)(?:, line \d+)?(?:, core|, winding)?: /, "");
  // a symbol stays as it is
  return /^[a-z]{2}/.test(said) ? `${said[0].toUpperCase()}${said.slice(1)}` : said;
}

/** Return warnings as a list, or nothing. */
export function warningList(warnings, title = "To know") {
  if (!warnings?.length) return null;
  return h("section", { class: "warnings" }, h("p", { class: "title" }, title), h("ul", {}, [...new Set(warnings.map(tidy))].map((text) => h("li", {}, text))));
}
