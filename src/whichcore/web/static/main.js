// The page: places, steps, colours, the line to the server.

import { bench, start, watch } from "./bench_state.js";
import { redraw } from "./chart.js";
import { button, h, put, speak } from "./dom.js";
import { job, keep, takeSweep } from "./job.js";
import { lineOf } from "./say.js";
import { ask } from "./talk.js";
import { calibrateView } from "./view_calibrate.js";
import { coreView } from "./view_core.js";
import { libraryView } from "./view_library.js";
import { readerView } from "./view_reader.js";
import { compareView, recordView, recordsView } from "./view_records.js";
import { sweepView } from "./view_sweep.js";
import { verdictView } from "./view_verdict.js";

const STEPS = [["core", "Describe", coreView], ["calibrate", "Calibrate", calibrateView], ["sweep", "Sweep", sweepView], ["verdict", "Verdict", verdictView]];
const PLACES = [["core", "Bench"], ["records", "Records"], ["library", "Library"], ["reader", "Graph reader"]];
const VIEWS = { ...Object.fromEntries(STEPS.map(([name, , view]) => [name, view])), records: recordsView, record: recordView, compare: compareView, library: libraryView, reader: readerView };

const main = document.getElementById("main");
let leave = null;
let shown = 0; // how often a view was asked for: only the last one is put on the page

function here() {
  const [name, ...rest] = location.hash.replace(/^#/, "").split("/");
  return { name: name in VIEWS ? name : "core", args: rest.map(decodeURIComponent) };
}

function stepList(current) {
  return h("nav", { "aria-label": "Steps", class: "steps" }, h("ol", {}, STEPS.map(([name, label]) => {
    const skipped = job.onlyReading && (name === "calibrate" || name === "sweep");
    const done = { core: Boolean(job.coreRecord || job.sweepRecord), calibrate: job.calibrated && !skipped, sweep: Boolean(job.sweepRecord), verdict: Boolean(job.verdict) }[name];
    return h("li", { class: [skipped && "skipped", done && "done"].filter(Boolean).join(" ") || undefined }, h("a", { href: `#${name}`, "aria-current": name === current ? "step" : undefined }, label, skipped ? h("span", { class: "unseen" }, " (not needed)") : null, done ? h("span", { class: "unseen" }, " (done)") : null));
  })));
}

async function show(focus = true) {
  const { name, args } = here();
  const mine = ++shown;
  const isStep = STEPS.some(([step]) => step === name);
  const place = isStep ? "core" : { record: "records", compare: "records" }[name] ?? name;
  put(document.getElementById("places"), h("ul", {}, PLACES.map(([key, label]) =>
    h("li", {}, h("a", { href: `#${key}`, "aria-current": key === place ? "page" : undefined }, label)))));
  let view;
  try {
    view = await VIEWS[name]({ state, go, args });
  } catch (error) {
    view = { title: "Not shown", node: h("section", {}, h("h1", {}, "Not shown"), h("p", { class: "error" }, lineOf(error)), button("Try again", () => show())) };
  }
  if (mine !== shown) return view.leave?.();
  leave?.(); // until now the view before stays on the page, and is told what goes on
  leave = view.leave ?? null;
  document.title = `${view.title} · whichcore`;
  const held = document.activeElement;
  put(main, isStep ? stepList(name) : "", view.node);
  if (focus) {
    main.focus({ preventScroll: true });
    scrollTo(0, 0);
    speak(view.title);
  } else hold(held);
  redraw();
}

/** Put the focus into the field that has taken the place of one: who types goes on typing. */
function hold(field) {
  const now = field.name && main.querySelector(`[name="${CSS.escape(field.name)}"]`);
  if (!now) return;
  now.closest("details")?.setAttribute("open", "");
  now.focus();
  if (Number.isInteger(field.selectionStart)) now.setSelectionRange(field.selectionStart, field.selectionEnd);
}

function go(place) {
  if (location.hash === `#${place}`) show();
  else location.hash = place;
}

/** Return what the server has to work with. */
async function state() {
  return ask("state");
}

function themeButton() {
  const root = document.documentElement;
  const node = document.getElementById("theme");
  const dark = () => (root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches);
  const label = () => { node.textContent = dark() ? "Light colours" : "Dark colours"; };
  node.addEventListener("click", () => {
    root.dataset.theme = dark() ? "light" : "dark";
    try {
      localStorage.setItem("whichcore-theme", root.dataset.theme);
    } catch {
      // storage is off: the choice lasts while the page is open
    }
    label();
    redraw();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", label);
  label();
}

let wasAway = false;

function connection() {
  const line = document.getElementById("line");
  if (!bench.online) {
    wasAway = true;
    put(line, h("p", { class: "error" }, "The line to the server is broken; trying again. What you typed is kept, and every finished point of a sweep is on disk. If it stays so, start whichcore serve again."));
  } else {
    put(line);
    if (wasAway && ["core", "calibrate", "sweep"].includes(here().name)) show(false);
    wasAway = false;
  }
}

function watching() {
  const node = document.getElementById("watch");
  const work = bench.work;
  if (!work?.running || !work.what) return put(node);
  const what = work.what === "calibrate" ? "calibration" : "sweep";
  const place = work.what === "calibrate" ? "calibrate" : "sweep";
  const name = work.about?.name ? ` of ${work.about.name}` : "";
  const theirs = work.there ? `Another page runs a ${what}${name} on this bench; you see it live.` : `A ${what}${name} is running; the page that started it is closed.`;
  const part = work.events.at(-1)?.type === "fit" ? ` It waits: now ${work.events.at(-1).what}.` : "";
  const who = `${work.mine ? `A ${what}${name} is running.` : theirs}${part}`;
  const stop = button("Stop it", async () => {
    try {
      await ask("stop");
      speak("Stopping; the output goes off.");
    } catch (error) {
      speak(lineOf(error));
    }
  }, { class: "small" });
  const key = `${work.number} ${who}`;
  if (node.dataset.number === key && node.childElementCount) return undefined;
  node.dataset.number = key;
  return put(node, h("div", { class: "watching", role: "region", "aria-label": "At the bench" }, h("p", {}, who), h("a", { href: `#${place}` }, "Look at it"), stop));
}

let settled = false;
watch(() => {
  takeSweep(bench.work);
  if (bench.online || settled) connection();
  settled ||= bench.online;
  watching();
});
addEventListener("hashchange", () => show());
addEventListener("pagehide", keep);
themeButton();
show(false);
start();
