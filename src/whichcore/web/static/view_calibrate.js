// Step two: calibrate, or take the calibration at hand.

import { bench, watch } from "./bench_state.js";
import { button, h, put, speak } from "./dom.js";
import { textField } from "./form.js";
import { job, keep } from "./job.js";
import { age, number, quantity, typed } from "./numbers.js";
import { attempt, lineOf, Place, warningList } from "./say.js";
import { ask, Fault } from "./talk.js";

const NAMED = { tied: "tied together" };

/** Return the step. */
export async function calibrateView({ state, go }) {
  const told = await state();
  const view = new CalibrateStep(told, go);
  await view.atHand();
  return { title: "Calibrate", node: view.node, leave: view.leave };
}

class CalibrateStep {
  constructor(told, go) {
    this.caution = told.caution;
    this.go = go;
    this.place = new Place();
    this.kept = h("div", { class: "card" });
    // these stay while what is in them changes: a key must not lose the button it is on
    this.head = h("h2", {}, "Running");
    this.bars = h("ol", { class: "progress" });
    this.asking = h("div", {});
    this.stop = button("Stop", () => attempt(this.place, () => ask("stop")));
    this.end = h("div", {});
    this.live = h("div", { class: "card", hidden: true }, this.head, this.bars, this.asking, this.stop, this.end);
    this.form = h("div", { class: "card" });
    this.node = h("section", {}, h("h1", {}, "Calibrate"),
      h("p", { class: "lead" }, "Known parts are measured in place of the core, one after the other, so that cables, clips and the shunt's own errors come off."),
      job.bench === "own" ? h("p", { class: "caution" }, this.caution) : h("p", { class: "quiet" }, "This is the virtual bench: its own hands change the parts. On a real bench this page tells you which part comes next and waits for you."),
      this.kept, this.live, this.form, this.place.node,
      h("div", { class: "row end" }, button("Back: describe", () => go("core"), { class: "plain" }), button("Go on: sweep", () => go("sweep"), { class: "main" })));
    this.fields();
    this.show();
    this.leave = watch((event) => {
      this.show(event);
      if (event?.type === "finished") this.atHand();
    });
  }

  async atHand() {
    let found;
    try {
      found = await ask("bench.calibrations", { bench: job.bench });
    } catch (error) {
      put(this.kept, h("h2", {}, "At hand"), h("p", { class: "error" }, lineOf(error)));
      return;
    }
    const usable = found.calibrations.filter((one) => one.wiring === found.wiring);
    job.calibrated = usable.length > 0;
    keep();
    put(this.kept, h("h2", {}, "At hand"), usable.length ? h("ul", { class: "plainlist" }, usable.map(row)) : h("p", {}, "There is no calibration for this bench as it is wired. Start one below."));
  }

  fields() {
    const form = job.calibrate;
    const text = (label, key, example, hint) => textField(label, form[key], (value) => { form[key] = value; keep(); }, { example, hint, name: `calibrate-${key}` });
    this.from = text("From", "from", "1 kHz");
    this.to = text("To", "to", "3 MHz");
    this.density = text("Points per decade", "density", "12", "Twelve serve most cores; more take longer.");
    this.temperature = text("Temperature of the bench", "temperature", "23 degC", "Of the parts, if you have a thermometer.");
    this.startButton = button("Start the calibration", () => this.begin(), { class: "main" });
    put(this.form, h("h2", {}, "A new calibration"), h("div", { class: "grid" }, [this.from, this.to, this.density, this.temperature].map((one) => one.node)), this.startButton);
  }

  begin() {
    return attempt(this.place, async () => {
      const read = (field, unit, example) => {
        field.wrong(null);
        try {
          return typed(field.input.value, unit, example);
        } catch (error) {
          field.wrong(error.message);
          field.input.focus();
          throw new Error("One of the fields cannot be read; it says why.");
        }
      };
      const from = read(this.from, "Hz", "1 kHz") ?? 1e3;
      const to = read(this.to, "Hz", "3 MHz") ?? 3e6;
      const temperature = read(this.temperature, "degC", "23 degC");
      const density = Number(this.density.input.value || 12);
      if (!(Number.isInteger(density) && density > 0 && density <= 200)) {
        this.density.wrong(`A whole number was expected; got ${this.density.input.value}; allowed: 1 to 200.`);
        throw new Error("One of the fields cannot be read; it says why.");
      }
      await ask("calibrate", { bench: job.bench, from_hz: from, to_hz: to, points_per_decade: density, temperature_c: temperature });
      speak("The calibration has begun.");
    }, this.startButton);
  }

  show(event = null) {
    const work = bench.work;
    this.startButton.disabled = Boolean(work?.running);
    if (work?.what !== "calibrate") {
      this.live.hidden = true;
      return;
    }
    this.live.hidden = false;
    const parts = fixtures(work.events);
    const waiting = work.running && work.events.at(-1)?.type === "fit" ? work.events.at(-1) : null;
    const rows = [...parts].map(([name, share]) => h("li", {}, h("label", {}, h("span", {}, NAMED[name] ?? name), h("progress", { max: "1", value: share, "aria-label": name }), h("span", { class: "share" }, share >= 1 ? "done" : `${Math.round(100 * share)} %`))));
    this.head.textContent = work.running ? "Running" : "The last calibration";
    this.stop.hidden = !work.running;
    put(this.bars, rows);
    put(this.end, work.running ? null : this.outcome(work));
    this.prompted(waiting, work);
    if (event?.type === "fit") {
      speak(`Now ${event.what}, then press: it is in place.`);
      this.live.querySelector(".ready")?.focus();
    }
    if (event?.type === "finished") speak("The calibration is done and kept.");
  }

  prompted(waiting, work) {
    const key = waiting ? `${work.number} ${work.events.length} ${work.mine} ${work.there}` : "";
    if (key === this.asked) return;
    this.asked = key;
    put(this.asking, waiting ? this.prompt(waiting, work) : null);
  }

  prompt(event, work) {
    const said = work.events.findLast((one) => one.type === "step" && one.said)?.said;
    const answer = async () => {
      await ask("fitted", { number: event.number });
      put(this.asking, h("p", { class: "waiting" }, "Measuring it…"));
    };
    const ready = button("It is in place", () => attempt(this.place, answer, ready), { class: "main ready", disabled: !work.mine && work.there });
    return h("div", { class: "prompt", "data-fixture": event.fixture }, h("p", {}, h("strong", {}, `Now ${event.what}.`)), said ? h("p", {}, said) : null, h("p", { class: "caution" }, this.caution), ready, work.mine ? null : h("p", { class: "quiet" }, work.there ? "The page that started it answers." : "The page that started it is closed; with your answer it goes on from here."));
  }

  outcome(work) {
    const end = work.events.at(-1);
    if (end?.type === "finished") return [h("p", { class: "news" }, "Done and kept."), h("ul", { class: "plainlist" }, row(end.calibration)), warningList(end.warnings) ?? ""];
    if (end?.error) return [h("p", { class: "error" }, new Fault(end.error).line), warningList(end.warnings) ?? ""];
    return "";
  }
}

/** Return how far each part has come, in the order they came. */
function fixtures(events) {
  const parts = new Map();
  for (const event of events) if (event.type === "step") parts.set(event.fixture, event.share);
  return parts;
}

function row(one) {
  const drift = typeof one.drift === "number" ? `; drift while it was taken ${number(100 * one.drift, 2)} %` : "";
  return h("li", {}, h("strong", {}, age(one.age_days)), `: ${quantity(one.from_hz, "Hz")} to ${quantity(one.to_hz, "Hz")}, ${one.points} points, ${one.wiring.replaceAll("-", " ")}, error model ${one.error_model.replaceAll("-", ", ")}; parts measured: ${one.standards.join(", ") || "none beside the shunt"}${drift}.`,
    one.old ? h("p", { class: "caution" }, "It is more than a week old: contacts and shunts move. Calibrate again, or check it with a known part.") : null);
}
