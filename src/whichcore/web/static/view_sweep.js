// Step three: sweep the core.

import { bench, last, watch } from "./bench_state.js";
import { Curves } from "./chart.js";
import { livePoints, MU_PANELS, muSeries, Z_PANELS, zSeries } from "./curves.js";
import { button, h, put, speak } from "./dom.js";
import { missing, specimenText } from "./fields.js";
import { textField } from "./form.js";
import { awaitSweep, job, keep, takeSweep } from "./job.js";
import { quantity, typed, when } from "./numbers.js";
import { attempt, lineOf, Place, warningList } from "./say.js";
import { ask, Fault } from "./talk.js";
import { sweepWays } from "./sweep_ways.js";
import { fill } from "./view_core.js";

const REDRAW_MS = 250;

/** Return the step. */
export async function sweepView({ state, go }) {
  const told = await state();
  const view = new SweepStep(told, go);
  return { title: "Sweep", node: view.node, leave: () => view.leave() };
}

class SweepStep {
  constructor(told, go) {
    this.go = go;
    this.place = new Place();
    this.form = h("div", { class: "card" });
    this.again = h("div", {});
    this.bar = h("progress", { max: "1", value: "0", "aria-label": "Points done" });
    this.where = h("p", {});
    this.notes = h("ul", { class: "plainlist" });
    this.end = h("div", { role: "status" });
    this.stop = button("Stop", () => attempt(this.place, () => ask("stop")));
    this.head = h("h2", {}, "Running");
    this.live = h("div", { class: "card", hidden: true }, this.head, this.bar, this.where, this.stop, this.end, this.notes);
    this.mu = new Curves("Permeability", MU_PANELS, "What belongs to the core, winding and leads taken off.");
    this.z = new Curves("Impedance", Z_PANELS, "What is measured at the terminals.");
    this.charts = h("div", { class: "charts", hidden: true }, this.mu.node, this.z.node);
    this.next = button("Go on: verdict", () => go("verdict"), { class: "main" });
    this.node = h("section", {}, h("h1", {}, "Sweep"), h("p", { class: "lead" }, this.what()),
      job.bench === "own" ? h("p", { class: "caution" }, told.caution) : null,
      this.again, this.form, this.place.node, this.live, this.charts,
      h("div", { class: "row end" }, button("Back: calibrate", () => go("calibrate"), { class: "plain" }), this.next));
    this.ways = sweepWays(told);
    this.fields();
    this.unfinished(told.unfinished);
    this.show();
    this.unwatch = watch((event) => this.heard(event));
  }

  leave() {
    this.unwatch();
    clearTimeout(this.timer);
    this.mu.forget();
    this.z.forget();
  }

  what() {
    return job.name ? `The frequency goes over the calibrated band; each point shows as it is done. In hand: ${job.name}, ${job.winding.turns || "?"} turns.` : "The frequency goes over the calibrated band; each point shows as it is done.";
  }

  fields() {
    const form = job.sweep;
    const text = (label, key, example, hint) => textField(label, form[key], (value) => { form[key] = value; keep(); }, { example, hint, name: `sweep-${key}` });
    this.from = text("From", "from", "1 kHz", "Empty: as calibrated.");
    this.to = text("To", "to", "3 MHz", "Empty: as calibrated.");
    this.density = text("Points per decade", "density", "12", "Empty: as calibrated.");
    this.flux = text("Flux density, peak", "flux", "0.25 mT", "Empty: 0.25 mT, at which initial permeability is defined. Where that is hidden in the noise, the advice on turns names a higher one.");
    this.startButton = button("Start the sweep", () => this.begin(), { class: "main" });
    put(this.form, h("h2", {}, "A new sweep"), h("div", { class: "grid" }, [this.from, this.to, this.density, this.flux].map((one) => one.node)), this.ways.node, this.startButton);
  }

  unfinished(list) {
    if (!list.length) return put(this.again);
    const rows = list.map((one) => h("li", {}, h("strong", {}, one.name || one.title), `, begun ${when(one.created_at)} `, button("Go on with it", (event) => this.resume(one, event.currentTarget), { class: "small", "aria-label": `Go on with it: the sweep of ${one.name || one.title}, begun ${when(one.created_at)}` })));
    return put(this.again, h("div", { class: "card" }, h("h2", {}, "Sweeps not finished"), h("p", { class: "quiet" }, "Their finished points are on disk. Going on needs the same core in the same fixture and the same calibration."), h("ul", { class: "plainlist" }, rows)));
  }

  resume(one, busy) {
    return attempt(this.place, async () => {
      if (!one.specimen) throw new Error("The core of this sweep is not in the records; start a new sweep.");
      const table = await ask("core.read", { specimen: one.specimen });
      const before = { ...job, evidence: { ...job.evidence } };
      fill(table);
      job.bench = one.settings.bench === "virtual" ? "virtual" : "own";
      job.virtualCore = one.settings.core ?? "";
      try {
        await this.sweep({ bench: job.bench, specimen: one.specimen, name: one.name || one.title, core: one.settings.core ?? null, journal: one.journal, ...(one.settings.asked ?? {}) });
      } catch (error) {
        if (error.fields?.code !== "away") Object.assign(job, before); // refused: the core in hand stays what it was
        keep();
        throw error;
      }
    }, busy);
  }

  begin() {
    return attempt(this.place, async () => {
      const empty = missing(job);
      if (empty.length) throw new Error(`The core is not described yet; still to fill in: ${empty.join(", ")}.`);
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
      const density = this.density.input.value.trim();
      this.density.wrong(null);
      if (density && !(Number.isInteger(Number(density)) && Number(density) > 0 && Number(density) <= 200)) {
        this.density.wrong(`A whole number was expected; got ${density}; allowed: 1 to 200.`);
        throw new Error("One of the fields cannot be read; it says why.");
      }
      await this.sweep({
        bench: job.bench, specimen: specimenText(job), name: job.name || "core", core: job.bench === "virtual" ? job.virtualCore || null : null,
        from_hz: read(this.from, "Hz", "1 kHz"), to_hz: read(this.to, "Hz", "3 MHz"), points_per_decade: density ? Number(density) : null, flux_density_t: read(this.flux, "T", "0.25 mT"),
        ...this.ways.read(),
      });
      this.ways.node.open = false;
      this.live.scrollIntoView?.({ block: "nearest" });
      speak("The sweep has begun.");
    }, this.startButton);
  }

  async sweep(args) {
    await awaitSweep((mark) => ask("sweep", { ...args, mark }));
    takeSweep(bench.work); // a short one may have ended before the answer came
  }

  heard(event) {
    if (event?.type === "finished" && event.what === "sweep" && bench.work.mine) speak("The sweep is done and kept.");
    if (event && ["finished", "failed", "stopped"].includes(event.type)) ask("state").then((told) => this.unfinished(told.unfinished), () => {});
    clearTimeout(this.timer);
    // many points may come at once when the page joins late
    this.timer = setTimeout(() => this.show(), event?.type === "point" ? Math.max(0, REDRAW_MS - (Date.now() - (this.drawn ?? 0))) : 0);
  }

  show() {
    this.drawn = Date.now();
    const work = bench.work;
    this.startButton.disabled = Boolean(work?.running);
    this.again.hidden = Boolean(work?.running);
    const mine = work?.what === "sweep";
    this.live.hidden = !mine;
    this.next.disabled = Boolean(work?.running && mine);
    if (!mine) {
      this.charts.hidden = true;
      return;
    }
    const points = livePoints(work.events);
    this.charts.hidden = !points.count;
    this.head.textContent = `${work.running ? "Running" : "The last sweep"}${work.about?.name ? `: ${work.about.name}` : ""}`;
    this.stop.hidden = !work.running;
    this.bar.max = points.total || 1;
    this.bar.value = points.count;
    const latest = last("point");
    this.where.textContent = latest ? `${points.count} of ${points.total} points; the last at ${quantity(latest.frequency_hz, "Hz")} with ${quantity(latest.flux_density_t, "T")}.` : work.running ? before() : "No point was measured.";
    put(this.notes, ...remarks(work.events));
    put(this.end, ...ending(work));
    if (points.count) {
      this.mu.set(muSeries(points, "", 0, true).map((one, i) => ({ ...one, look: i })));
      this.z.set(zSeries(points, "", 0, true).map((one, i) => ({ ...one, look: i })));
    }
  }
}

/** Return what goes on before the first point. */
function before() {
  const [rest, done, take] = [last("demagnetising"), last("demagnetised"), last("take")];
  if (take) return `All tones at once: ${take.said}.`;
  if (done) return "Demagnetised; the first point comes next.";
  if (rest) return `Demagnetising, then a rest of ${quantity(rest.rest_s, "s")}.`;
  return "Setting up; the first point takes longest.";
}

function remarks(events) {
  const rows = [];
  for (const event of events) {
    if (event.type === "not-reachable") rows.push(`Not reachable at ${quantity(event.frequency_hz, "Hz")}: ${event.reason}.`);
    if (event.type === "output-found-on") rows.push("The output was found on, left by something else; it was switched off first.");
  }
  return rows.map((text) => h("li", { class: "caution" }, text));
}

function ending(work) {
  const end = work.events.at(-1);
  if (end?.type === "finished") return [h("p", { class: "news" }, `Done, and kept as record ${end.record.slice(0, 8)}.`), h("ul", { class: "plainlist" }, (end.notes ?? []).map((text) => h("li", {}, text))), warningList(end.warnings) ?? ""];
  if (end?.type === "stopped") return [h("p", { class: "news" }, "Stopped; the output is off and every finished point is kept. It can be taken up again.")];
  if (end?.error) return [h("p", { class: "error" }, lineOf(new Fault(end.error))), warningList(end.warnings) ?? ""];
  return [];
}
