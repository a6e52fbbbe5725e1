// The piece of work in hand, kept in the tab so that nothing typed is lost.

const KEY = "whichcore-job";
const ASKED = "asked"; // until the server has named the journal
const EMPTY = {
  bench: "virtual", virtualCore: "", name: "", shape: "ring", core: {}, winding: {}, expected: "",
  onlyReading: false, calibrate: { from: "1 kHz", to: "3 MHz", density: "12", temperature: "" },
  sweep: { from: "", to: "", density: "", flux: "" }, evidence: { readings: "", surface: "", soldAs: "", second: "" },
  calibrated: false, awaited: "", sweepRecord: "", coreRecord: "", verdict: null, reader: null,
};

function read() {
  try {
    return { ...structuredClone(EMPTY), ...JSON.parse(sessionStorage.getItem(KEY) ?? "{}") };
  } catch {
    return structuredClone(EMPTY);
  }
}

/** What is being worked on. */
export const job = read();

/** Write it down. */
export function keep() {
  try {
    sessionStorage.setItem(KEY, JSON.stringify(job));
  } catch {
    // a picture or a verdict too large for the tab's store: the fields are worth more
    sessionStorage.setItem(KEY, JSON.stringify({ ...job, verdict: null, reader: null }));
  }
}

/** Let go of what was kept of a core: it is another one now, or described otherwise. */
export function another() {
  Object.assign(job, { awaited: "", sweepRecord: "", coreRecord: "", verdict: null });
}

/** Ask for a sweep by `asking`, which answers with the name of its journal, and wait for that one. */
export async function awaitSweep(asking) {
  const before = job.awaited;
  job.awaited = ASKED;
  keep();
  try {
    const { journal } = await asking();
    Object.assign(job, { awaited: journal, sweepRecord: "", verdict: null });
  } catch (error) {
    job.awaited = before;
    throw error;
  } finally {
    keep();
  }
}

/** Take the sweep in hand that is waited for, once it is kept: no view need be open when it ends. */
export function takeSweep(work) {
  const end = work?.events.at(-1);
  if (!job.awaited || end?.type !== "finished" || end.what !== "sweep") return;
  if (job.awaited !== end.journal && !(job.awaited === ASKED && work.mine)) return;
  Object.assign(job, { awaited: "", sweepRecord: end.record, coreRecord: end.core, verdict: null });
  keep();
}

/** Begin with another core; bench and bands stay. */
export function anew() {
  const { bench, calibrate, calibrated } = job;
  for (const name of Object.keys(job)) delete job[name];
  Object.assign(job, structuredClone(EMPTY), { bench, calibrate, calibrated });
  keep();
}
