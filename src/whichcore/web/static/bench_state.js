// What goes on at the bench, for every part of the page that wants to know.

import { listen } from "./talk.js";

/** The present or the last work: {number, what, running, mine, there, about, events}, or null. */
export const bench = { work: null, online: false };

const watchers = new Set();

/** Call `watcher` with each change; returns a function that ends it. */
export function watch(watcher) {
  watchers.add(watcher);
  return () => watchers.delete(watcher);
}

function tell(event = null) {
  for (const watcher of [...watchers]) watcher(event);
}

function heard(message) {
  if (message.type === "hello") bench.work = message.work;
  if (message.type === "begun") {
    // events may come before the word that it has begun
    const events = bench.work?.number === message.work ? bench.work.events : [];
    const over = events.some((event) => ["finished", "failed", "stopped"].includes(event.type));
    bench.work = { number: message.work, what: message.what, running: !over, mine: message.mine, there: true, about: message.about, events };
  }
  if (message.type === "event") {
    if (bench.work?.number !== message.work) bench.work = { number: message.work, what: "", running: true, mine: false, there: true, about: {}, events: [] };
    bench.work.events.push(message.event);
    if (["finished", "failed", "stopped"].includes(message.event.type)) bench.work.running = false;
  }
  if (message.type === "driver" && bench.work?.number === message.work) Object.assign(bench.work, { mine: message.mine, there: message.there });
  tell(message.type === "event" ? message.event : null);
}

/** Open the line. */
export function start() {
  listen(heard, (online) => {
    bench.online = online;
    tell();
  });
}

/** Return the last event of a kind. */
export function last(type) {
  return bench.work?.events.findLast((event) => event.type === type) ?? null;
}
