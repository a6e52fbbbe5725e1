// The graph reader: a picture of a printed graph becomes a reference material.

import { mapping, markValue } from "./axes.js";
import { Curves } from "./chart.js";
import { MU_PANELS } from "./curves.js";
import { button, h, put, s, speak } from "./dom.js";
import { choice, pick, textField } from "./form.js";
import { number, quantity, typed } from "./numbers.js";
import { attempt, Place } from "./say.js";
import { store, stored } from "./store.js";
import { ask } from "./talk.js";

const CLICK_PX = 1; // standard uncertainty of a click at one pixel of the screen to one of the picture
const LARGEST_PX = 40e6;
const MARKS = [["horizontal", 0], ["horizontal", 1], ["vertical", 0], ["vertical", 1]];
const KEY = "whichcore-reader";
const NAMES = { mu_real: "μ′", mu_imag: "μ″" };

// lives as long as the page, so that a look at another place loses nothing
const kept = {
  picture: null, name: "", width: 0, height: 0, zoom: 1, mode: "h0",
  axes: { horizontal: { log: true, marks: [null, null] }, vertical: { log: true, marks: [null, null] } },
  values: { horizontal: ["", ""], vertical: ["", ""] },
  curves: { mu_real: [], mu_imag: [] }, undo: [], cross: [0, 0],
  label: { id: "", name: "", class: "MnZn", tolerance: "25 %", source: "", licence: "own data" },
};

function keepAll() {
  const { picture, ...rest } = kept;
  const text = (source) => JSON.stringify({ ...rest, undo: [], source });
  // a picture too large for the tab's store: the points are worth more
  if (!store(KEY, text(picture?.src ?? ""))) store(KEY, text(""));
}

/** Take up what the tab still has of before a reload. */
async function takeUp() {
  if (kept.picture) return;
  try {
    const { source, ...rest } = JSON.parse(stored(KEY) ?? "{}");
    Object.assign(kept, rest);
    if (!source) return;
    const picture = new Image();
    picture.src = source;
    await picture.decode();
    kept.picture = picture;
  } catch {
    kept.picture = null;
  }
}

/** Tell whether the points of a picture are there, and not the picture: it was too large to be kept. */
function lost() {
  return !kept.picture && Boolean(kept.name);
}

function dataUrl(file) {
  return new Promise((done, failed) => {
    const reader = new FileReader();
    reader.addEventListener("load", () => done(reader.result));
    reader.addEventListener("error", () => failed(new Error("The picture cannot be read from the disk.")));
    reader.readAsDataURL(file);
  });
}

/** Return the reader. */
export async function readerView({ state, go }) {
  await takeUp();
  const view = new Reader((await state()).classes, go);
  return { title: "Graph reader", node: view.node, leave: () => view.leave() };
}

class Reader {
  constructor(classes, go) {
    this.go = go;
    this.place = new Place();
    this.told = null;
    this.status = h("p", { class: "readout", role: "status", "aria-live": "polite" });
    this.table = h("div", {});
    this.chart = new Curves("Traced so far", MU_PANELS);
    this.result = h("div", { class: "card", hidden: true }, this.chart.node);
    this.stage = h("div", { class: "stage", tabindex: "0", role: "application", "aria-label": "Picture of the graph: arrow keys move the cross hair, Enter sets a point, Backspace takes the last one back, plus and minus zoom", hidden: true, on: { keydown: (event) => this.key(event) } });
    this.tools = h("div", { hidden: true });
    this.marks = h("div", {});
    this.node = h("section", {}, h("h1", {}, "Graph reader"), h("p", { class: "lead" }, "Turn a printed graph of μ′ and μ″ into a reference material of your own. The picture stays in this page; it is not sent anywhere."),
      this.chooser(), this.place.node,
      h("div", { class: "card work" }, this.tools, this.stage, this.status),
      h("details", { class: "card", open: true }, h("summary", {}, "Marks of the axes"), this.marks),
      h("details", { class: "card" }, h("summary", {}, "Points, to read and to correct"), this.table),
      this.result, this.saving(classes));
    this.pointer();
    if (kept.picture) this.open();
    this.refresh();
  }

  leave() {
    this.chart.forget();
  }

  chooser() {
    const file = textField("Picture of the graph", "", () => {}, { type: "file", hint: "PNG, JPEG or WebP. Or drop it here.", name: "picture" });
    file.input.accept = "image/png,image/jpeg,image/webp";
    file.input.addEventListener("change", () => this.load(file.input.files[0]));
    return h("div", { class: "card drop", on: {
      dragover: (event) => event.preventDefault(),
      drop: (event) => { event.preventDefault(); this.load(event.dataTransfer.files[0]); },
    } }, file.node);
  }

  async load(file) {
    if (!file) return;
    await attempt(this.place, async () => {
      if (!["image/png", "image/jpeg", "image/webp"].includes(file.type)) throw new Error(`This is no picture the reader takes: got ${file.type || "an unknown kind"}; allowed: PNG, JPEG, WebP.`);
      const picture = new Image();
      picture.src = await dataUrl(file);
      try {
        await picture.decode();
      } catch {
        throw new Error("The picture cannot be read; save it anew as PNG.");
      }
      if (picture.naturalWidth * picture.naturalHeight > LARGEST_PX) throw new Error(`The picture is too large: ${picture.naturalWidth} × ${picture.naturalHeight}; allowed: 40 million pixels.`);
      const [width, height] = [picture.naturalWidth, picture.naturalHeight];
      const again = lost() && kept.name === file.name && kept.width === width && kept.height === height;
      if (!again) {
        Object.assign(kept, { undo: [], mode: "h0", curves: { mu_real: [], mu_imag: [] }, cross: [width / 2, height / 2] });
        for (const axis of Object.values(kept.axes)) axis.marks = [null, null];
      }
      Object.assign(kept, { picture, name: file.name, width, height, zoom: 0 });
      this.open();
      this.refresh();
      this.stage.focus();
    });
  }

  open() {
    this.stage.hidden = false;
    this.tools.hidden = false;
    if (!kept.zoom) kept.zoom = Math.min(1, Math.max(0.1, (Math.min(innerWidth, 1100) - 80) / kept.width));
    this.overlay = s("svg", { class: "overlay", "aria-hidden": "true" });
    kept.picture.alt = "";
    kept.picture.draggable = false;
    this.inner = h("div", { class: "inner" }, kept.picture, this.overlay);
    put(this.stage, this.inner);
    this.scale();
  }

  scale() {
    const [w, t] = [kept.width * kept.zoom, kept.height * kept.zoom];
    for (const [name, value] of [["width", w], ["height", t]]) {
      this.inner.style[name] = `${value}px`;
      kept.picture.style[name] = `${value}px`;
    }
    this.overlay.setAttribute("viewBox", `0 0 ${kept.width} ${kept.height}`);
  }

  zoom(factor) {
    const middle = [this.stage.scrollLeft + this.stage.clientWidth / 2, this.stage.scrollTop + this.stage.clientHeight / 2].map((n) => n / kept.zoom);
    kept.zoom = Math.min(8, Math.max(0.1, kept.zoom * factor));
    this.scale();
    this.refresh();
    this.stage.scrollTo(middle[0] * kept.zoom - this.stage.clientWidth / 2, middle[1] * kept.zoom - this.stage.clientHeight / 2);
  }

  pointer() {
    const at = (event) => {
      const box = kept.picture.getBoundingClientRect();
      return [(event.clientX - box.left) / kept.zoom, (event.clientY - box.top) / kept.zoom];
    };
    const inside = ([x, y]) => x >= 0 && y >= 0 && x <= kept.width && y <= kept.height;
    this.stage.addEventListener("pointermove", (event) => { if (kept.picture) { kept.cross = at(event); this.aim(); } });
    this.stage.addEventListener("click", (event) => {
      if (!kept.picture) return;
      const point = at(event);
      if (inside(point)) this.put(point);
    });
  }

  key(event) {
    const step = (event.shiftKey ? 10 : 1) / Math.max(1, kept.zoom);
    const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (way) {
      kept.cross = [Math.min(Math.max(kept.cross[0] + way[0], 0), kept.width), Math.min(Math.max(kept.cross[1] + way[1], 0), kept.height)];
      this.aim();
      this.follow();
    } else if (event.key === "Enter") this.put(kept.cross);
    else if (event.key === "Backspace" || (event.key === "z" && (event.ctrlKey || event.metaKey))) this.back();
    else if (event.key === "+") this.zoom(1.5);
    else if (event.key === "-") this.zoom(1 / 1.5);
    else return;
    event.preventDefault();
  }

  /** Keep the cross hair in sight. */
  follow() {
    const [x, y] = kept.cross.map((n) => n * kept.zoom);
    const { scrollLeft, scrollTop, clientWidth, clientHeight } = this.stage;
    if (x < scrollLeft || x > scrollLeft + clientWidth) this.stage.scrollLeft = x - clientWidth / 2;
    if (y < scrollTop || y > scrollTop + clientHeight) this.stage.scrollTop = y - clientHeight / 2;
  }

  put(point) {
    const place = point.map((n) => Math.round(100 * n) / 100);
    kept.undo.push(JSON.stringify([kept.axes, kept.curves, kept.mode]));
    if (kept.undo.length > 200) kept.undo.shift();
    if (kept.mode in kept.curves) kept.curves[kept.mode].push(place);
    else {
      const i = ["h0", "h1", "v0", "v1"].indexOf(kept.mode);
      const [axis, k] = MARKS[i];
      kept.axes[axis].marks[k] = { x: place[0], y: place[1], value: kept.values[axis][k] };
      kept.mode = ["h1", "v0", "v1", "mu_real"][i];
    }
    this.refresh();
  }

  back() {
    const before = kept.undo.pop();
    if (!before) return;
    [kept.axes, kept.curves, kept.mode] = JSON.parse(before);
    this.refresh();
    speak("Taken back.");
  }

  refresh() {
    this.drawTools();
    this.drawMarks();
    this.drawTable();
    this.drawOverlay();
    this.aim();
    this.trace();
  }

  drawTools() {
    const modes = [["h0", "frequency 1"], ["h1", "frequency 2"], ["v0", "value 1"], ["v1", "value 2"], ["mu_real", "μ′ curve"], ["mu_imag", "μ″ curve"]];
    const held = this.tools.contains(document.activeElement) ? document.activeElement : null;
    put(this.tools, pick("The next click sets", modes, kept.mode, (mode) => { kept.mode = mode; this.refresh(); }),
      h("div", { class: "row" }, button("Zoom in", () => this.zoom(1.5), { class: "small" }), button("Zoom out", () => this.zoom(1 / 1.5), { class: "small" }), button("Undo", () => this.back(), { class: "small", disabled: !kept.undo.length }), h("span", { class: "quiet" }, `${Math.round(100 * kept.zoom)} %`)));
    if (held) ([...this.tools.querySelectorAll("button:enabled")].find((one) => one.textContent === held.textContent) ?? this.tools.querySelector("input:checked"))?.focus();
  }

  drawMarks() {
    if (this.marks.childElementCount && this.marks.contains(document.activeElement)) return;
    const field = (axis, k) => {
      const isFrequency = axis === "horizontal";
      const made = textField(`${isFrequency ? "Frequency" : "Value"} at mark ${k + 1}`, kept.values[axis][k], (value) => {
        kept.values[axis][k] = value;
        if (kept.axes[axis].marks[k]) kept.axes[axis].marks[k].value = value;
        made.wrong(null);
        try {
          markValue(axis, value);
        } catch (error) {
          if (value.trim()) made.wrong(error.message);
        }
        this.drawTable();
        this.aim();
        this.trace();
      }, { example: isFrequency ? ["10 kHz", "10 MHz"][k] : ["10", "1000"][k], name: `mark-${axis}-${k}`, hint: kept.axes[axis].marks[k] ? "Set in the picture." : "Not set in the picture yet." });
      return made.node;
    };
    const scale = (axis, label) => choice(label, [["log", "logarithmic"], ["linear", "linear"]], kept.axes[axis].log ? "log" : "linear", (value) => { kept.axes[axis].log = value === "log"; this.drawTable(); this.trace(); }).node;
    const row = (axis, label) => h("div", { class: "grid" }, field(axis, 0), field(axis, 1), scale(axis, label));
    put(this.marks, row("horizontal", "Frequency axis"), row("vertical", "Value axis"));
  }

  drawTable() {
    const map = mapping(kept.axes);
    if (this.table.contains(document.activeElement)) return;
    const parts = Object.entries(kept.curves).map(([name, points]) => {
      const rows = points.map((point, i) => {
        const read = map?.read(...point);
        const cell = (k, label) => h("input", { type: "text", "aria-label": `${NAMES[name]} point ${i + 1}, ${label}`, value: read ? (k ? number(read[1], 4) : quantity(read[0], "Hz", 5)) : "", disabled: !map, on: { change: (event) => this.correct(name, i, k, event.target) } });
        return h("tr", {}, h("th", { scope: "row" }, String(i + 1)), h("td", {}, cell(0, "frequency")), h("td", {}, cell(1, "value")), h("td", {}, button("Remove", () => { kept.undo.push(JSON.stringify([kept.axes, kept.curves, kept.mode])); points.splice(i, 1); document.activeElement.blur(); this.refresh(); }, { class: "small", "aria-label": `Remove ${NAMES[name]} point ${i + 1}` })));
      });
      return h("div", {}, h("h2", {}, `${NAMES[name]}: ${points.length} points`), points.length ? h("div", { class: "scroll tall" }, h("table", {}, h("thead", {}, h("tr", {}, ["Point", "Frequency", "Value", "Remove"].map((text) => h("th", { scope: "col" }, text)))), h("tbody", {}, rows))) : null);
    });
    put(this.table, map ? "" : h("p", { class: "quiet" }, "Values show once both axes have two marks with their values."), ...parts);
  }

  correct(name, i, k, input) {
    const map = mapping(kept.axes);
    attempt(this.place, async () => {
      const read = map.read(...kept.curves[name][i]);
      const value = k ? Number(input.value.replace("−", "-")) : typed(input.value, "Hz", "10 kHz");
      if (value === null || !Number.isFinite(value)) throw new Error(`A number was expected for ${NAMES[name]} point ${i + 1}; got ${input.value || "nothing"}.`);
      read[k] = value;
      const place = map.write(...read);
      if (!place.every(Number.isFinite)) throw new Error(`A logarithmic axis has positive values only; got ${input.value}.`);
      kept.undo.push(JSON.stringify([kept.axes, kept.curves, kept.mode]));
      kept.curves[name][i] = place;
      this.drawOverlay();
      this.trace();
    });
  }

  drawOverlay() {
    if (!this.overlay) return;
    const r = 5 / kept.zoom;
    const cross = (x, y, kind, text) => s("g", { class: kind }, s("path", { d: `M${x - 2 * r} ${y}h${4 * r}M${x} ${y - 2 * r}v${4 * r}`, "stroke-width": 2 / kept.zoom }), text && s("text", { x: x + 1.5 * r, y: y - 1.5 * r, "font-size": 14 / kept.zoom }, text));
    const marks = MARKS.map(([axis, k]) => [kept.axes[axis].marks[k], `${axis === "horizontal" ? "f" : "v"}${k + 1}`]).filter(([mark]) => mark).map(([mark, text]) => cross(mark.x, mark.y, "mark", text));
    const dots = Object.entries(kept.curves).flatMap(([name, points]) => points.map(([x, y]) => (name === "mu_real" ? s("circle", { class: name, cx: x, cy: y, r }) : s("rect", { class: name, x: x - r, y: y - r, width: 2 * r, height: 2 * r }))));
    this.hair = s("g", { class: "hair" });
    put(this.overlay, ...marks, ...dots, this.hair);
  }

  aim() {
    if (!this.hair) {
      this.status.textContent = lost() ? `Choose ${kept.name} again: it was too large to be kept over the reload, its marks and points are still here.` : "Choose a picture first.";
      return;
    }
    const [x, y] = kept.cross;
    const gap = 6 / kept.zoom;
    put(this.hair, s("path", { d: `M0 ${y}H${x - gap}M${x + gap} ${y}H${kept.width}M${x} 0V${y - gap}M${x} ${y + gap}V${kept.height}`, "stroke-width": 1 / kept.zoom }));
    const read = mapping(kept.axes)?.read(x, y);
    const next = { h0: "Click a mark of the frequency axis, far to the left", h1: "Click another mark of the frequency axis, far to the right", v0: "Click a mark of the value axis, far down", v1: "Click another mark of the value axis, far up", mu_real: "Click along the μ′ curve", mu_imag: "Click along the μ″ curve" }[kept.mode];
    this.status.textContent = `${next}. Cross hair at ${Math.round(x)}, ${Math.round(y)}${read ? `: ${quantity(read[0], "Hz", 4)}, ${number(read[1])}` : ""}.`;
  }

  request() {
    return { horizontal: kept.axes.horizontal, vertical: kept.axes.vertical, click_px: CLICK_PX / Math.min(1, kept.zoom), curves: kept.curves };
  }

  async trace() {
    keepAll();
    this.count = (this.count ?? 0) + 1;
    const mine = this.count;
    if (!mapping(kept.axes) || Object.values(kept.curves).every((points) => points.length < 2)) {
      this.result.hidden = true;
      return;
    }
    try {
      const told = await ask("library.trace", this.request());
      if (mine !== this.count) return;
      this.place.clear();
      this.result.hidden = false;
      this.chart.set(["mu_real", "mu_imag"].filter((name) => told[name]).map((name, i) => ({ name: NAMES[name], panel: name === "mu_real" ? "real" : "imag", look: i, points: true, x: told[name].frequency_hz, y: told[name].value, u: told[name].u_value })));
      if (told.reading_deviation !== undefined) this.chart.note.textContent += ` Reading alone leaves ${number(100 * told.reading_deviation, 2)} % on |μ| (standard uncertainty); both curves meet on ${told.joined.points} points${told.joined.left_out ? `, ${told.joined.left_out} outside their common span are left out` : ""}.`;
    } catch (error) {
      if (mine === this.count) this.place.error(error);
    }
  }

  saving(classes) {
    const place = new Place();
    const label = kept.label;
    const text = (name, key, more) => textField(name, label[key], (value) => { label[key] = value; keepAll(); }, { ...more, name: `label-${key}` });
    const fields = [text("Short name, for files and commands", "id", { example: "mnzn-workshop-1", needed: true, hint: "Small letters, digits and dashes." }), text("Name", "name", { example: "MnZn, grey ring of the lamp shelf", needed: true }), choice("Class", classes.map((one) => [one, one]), label.class, (value) => { label.class = value; keepAll(); }),
      text("Spread from core to core", "tolerance", { example: "25 %", hint: "Of the permeability; two standard deviations." }), text("Source", "source", { example: "data sheet, page, year", needed: true }), text("Licence", "licence", { example: "own data" })];
    const save = button("Save to my library", () => attempt(place, async () => {
      const told = await ask("library.save", { ...this.request(), label });
      place.news(`Saved with ${told.points} points${told.left_out ? `, ${told.left_out} outside the common span left out` : ""}; the reading's ${number(100 * told.reading_deviation, 2)} % is part of its deviation of ${number(100 * told.curve_deviation, 2)} %. `, h("a", { href: `#library/${told.id}` }, "Look at it in the library"));
    }, save), { class: "main" });
    return h("div", { class: "card" }, h("h2", {}, "Save it"), h("div", { class: "grid" }, fields.map((one) => one.node)), save, place.node);
  }
}
