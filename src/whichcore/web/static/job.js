// The piece of work in hand, kept in the tab so that nothing typed is lost.

const KEY = "whichcore-job";
const EMPTY = {
  bench: "virtual", virtualCore: "", name: "", shape: "ring", core: {}, winding: {}, expected: "",
  onlyReading: false, calibrate: { from: "1 kHz", to: "3 MHz", density: "12", temperature: "" },
  sweep: { from: "", to: "", density: "", flux: "" }, evidence: { readings: "", surface: "", soldAs: "", second: "" },
  calibrated: false, sweepRecord: "", coreRecord: "", verdict: null, reader: null,
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

/** Begin with another core; bench and bands stay. */
export function anew() {
  const { bench, calibrate, calibrated } = job;
  for (const name of Object.keys(job)) delete job[name];
  Object.assign(job, structuredClone(EMPTY), { bench, calibrate, calibrated });
  keep();
}
