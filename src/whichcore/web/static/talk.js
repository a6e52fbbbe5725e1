// Asking the server, and hearing from it.

import { store, stored } from "./store.js";

const PAGE = "whichcore-page";

// a doubled tab has a copy of what the first one stored: a name of its own tells the two apart
const page = [...crypto.getRandomValues(new Uint8Array(12))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
const before = stored(PAGE) ?? "";
store(PAGE, page);

/** An answer that is an error, with the fields of the error contract. */
export class Fault extends Error {
  constructor(fields) {
    super(fields.what);
    this.fields = fields;
  }

  /** The error in one line. */
  get line() {
    const { what, got, allowed, next } = this.fields;
    const parts = [what, got && `got ${got}`, allowed && `allowed: ${allowed}`].filter(Boolean).join("; ");
    return `${parts[0].toUpperCase()}${parts.slice(1)}.${next ? ` Next: ${next}${/[?!.]$/.test(next) ? "" : "."}` : ""}`;
  }
}

async function answered(path, init) {
  let response;
  try {
    response = await fetch(path, { ...init, headers: { "X-Page": page, ...init.headers } });
  } catch {
    throw new Fault({ code: "away", what: "the server does not answer", got: "", allowed: "", next: "start whichcore serve again; what you typed is kept" });
  }
  let told;
  try {
    told = await response.json();
  } catch {
    throw new Fault({ code: "internal", what: "the server's answer cannot be read", got: String(response.status), allowed: "", next: "try again" });
  }
  if (told.error) throw new Fault(told.error);
  return told;
}

/** Ask, and return the result; warnings are handed to `warned`. */
export async function ask(call, args = {}, warned = null) {
  const told = await answered(`/ask/${call}`, {
    method: "POST", body: JSON.stringify(args), headers: { "Content-Type": "application/json" },
  });
  if (warned) warned(told.warnings ?? []);
  return told.result;
}

/** Upload a file, and return what the server says of it. */
export async function upload(file) {
  return (await answered(`/upload/${encodeURIComponent(file.name)}`, { method: "PUT", body: file })).result;
}

/** Keep a line open to the server; it comes again after a break. */
export function listen(heard, state) {
  let wait = 500;
  let heir = before;
  const open = () => {
    const socket = new WebSocket(`${location.origin.replace(/^http/, "ws")}/live?page=${page}&before=${heir}`);
    const alive = setInterval(() => socket.readyState === WebSocket.OPEN && socket.send("here"), 20000);
    socket.addEventListener("open", () => { wait = 500; heir = ""; state(true); });
    socket.addEventListener("message", (message) => heard(JSON.parse(message.data)));
    socket.addEventListener("close", () => {
      clearInterval(alive);
      state(false);
      setTimeout(open, wait);
      wait = Math.min(2 * wait, 5000);
    });
  };
  open();
}
