// The piece of work in hand, kept in the tab so that nothing typed is lost.

import { store, stored } from "./store.js";

const KEY = "whichcore-job";
const EMPTY = {
  bench: "virtual", virtualCore: "", name: "", shape: "ring", core: {}, winding: {}, expected: "",
  onlyReading: false, calibrate: { from: "1 kHz", to: "3 MHz", density: "12", temperature: "" },
  sweep: { from: "", to: "", density: "", flux: "" }, evidence: { readings: "", surface: "", soldAs: "", second: "" },
  calibrated: false, awaited: "", sweepRecord: "", coreRecord: "", verdict: null,
};

function read() {
  try {
    return { ...structuredClone(EMPTY), ...JSON.parse(stored(KEY) ?? "{}") };
  } catch {
    return structuredClone(EMPTY);
  }
}

/** What is being worked on. */
export const job = read();

/** Write it down. */
export function keep() {
  // a verdict too large for the tab's store: the fields are worth more
  if (!store(KEY, JSON.stringify(job))) store(KEY, JSON.stringify({ ...job, verdict: null }));
}

/** Let go of what was kept of a core: it is another one now, or described otherwise. */
export function another() {
  Object.assign(job, { awaited: "", sweepRecord: "", coreRecord: "", verdict: null });
  job.evidence.second = "";
}

/** Let go of what was known of a core beside its sweep. */
export function unknown() {
  Object.assign(job.evidence, EMPTY.evidence);
}

/** Take a kept sweep and its core in hand. */
export function inHand(sweep, core) {
  Object.assign(job, { awaited: "", onlyReading: false, sweepRecord: sweep, coreRecord: core, verdict: null });
  keep();
}

/**
 * Ask for a sweep by `asking`, and wait for it. It is given a mark to send along, by which the sweep is known
 * until the answer names its journal, and for good where the line breaks before the answer comes.
 */
export async function awaitSweep(asking) {
  const before = job.awaited;
  const mark = `${Date.now()}-${Math.random()}`;
  const still = () => job.awaited === mark; // another core may be described by now
  job.awaited = mark;
  keep();
  try {
    const { journal } = await asking(mark);
    if (still()) Object.assign(job, { awaited: journal, sweepRecord: "", verdict: null });
  } catch (error) {
    if (still() && error.fields?.code !== "away") job.awaited = before;
    throw error;
  } finally {
    keep();
  }
}

/** Take the sweep in hand that is waited for, once it is kept: no view need be open when it ends. */
export function takeSweep(work) {
  const end = work?.events.at(-1);
  if (!job.awaited || end?.type !== "finished" || end.what !== "sweep") return;
  if (job.awaited === end.journal || job.awaited === work.about.mark) inHand(end.record, end.core);
}

/** Begin with another core; bench and bands stay. */
export function anew() {
  const { bench, calibrate, calibrated } = job;
  for (const name of Object.keys(job)) delete job[name];
  Object.assign(job, structuredClone(EMPTY), { bench, calibrate, calibrated });
  keep();
}
