// Curves over frequency: panels one above the other, a cursor by arrow keys or pointer, a table of the values.

import { fresh, h, put } from "./dom.js";
import { number, quantity, withU } from "./numbers.js";
import { SERIES, theme } from "./palette.js";

const NORMAL_95 = 1.96;
const LEFT = 62;
const drawn = new Set();
const PANEL_PX = 190;

/** A chart; `panels` are {key, label}, in the order from above. */
export class Curves {
  constructor(title, panels, said = "") {
    this.panels = panels;
    this.series = [];
    this.band = null;
    this.at = 0;
    this.linear = false;
    const id = fresh("chart");
    this.canvas = h("div", { class: "canvas", "aria-hidden": "true" });
    this.board = h("div", {
      class: "board", tabindex: "0", role: "slider", "aria-labelledby": id, "aria-valuemin": "0", "aria-valuemax": "0", "aria-valuenow": "0",
      "aria-valuetext": "no values yet", on: { keydown: (event) => this.key(event) },
    }, this.canvas);
    this.readout = h("p", { class: "readout" }, "Arrow keys or the pointer move a cursor along the curve.");
    this.legend = h("ul", { class: "legend" });
    this.note = h("p", { class: "quiet" });
    this.table = h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `Values: ${title}` });
    this.details = h("details", { on: { toggle: () => this.fill() } }, h("summary", {}, "Table of values"), this.table);
    this.scale = h("button", { type: "button", class: "plain small", "aria-pressed": "false", on: { click: () => this.toggle() } }, "Linear scale");
    this.node = h("figure", { class: "chart" }, h("figcaption", { id }, h("h2", {}, title), said && h("p", { class: "quiet" }, said)),
      this.board, this.readout, h("div", { class: "row" }, this.legend, this.scale), this.note, this.details);
    drawn.add(this);
    new ResizeObserver(() => (this.view ? this.view.resize() : this.draw())).observe(this.canvas);
  }

  /** Take new curves: {name, panel, x, y, u, points}; and a band of frequency to mark. */
  set(series, band = null) {
    this.series = series.filter((one) => one.x.length);
    this.band = band;
    this.at = Math.min(this.at, Math.max(0, this.length - 1));
    this.board.setAttribute("aria-valuemax", String(Math.max(0, this.length - 1)));
    put(this.legend, ...this.legendRows());
    this.draw();
    this.fill();
  }

  get length() {
    return this.series[0]?.x.length ?? 0;
  }

  look(one) {
    return SERIES[(one.look ?? 0) % SERIES.length];
  }

  legendRows() {
    const seen = new Map();
    for (const one of this.series) if (!seen.has(one.group ?? one.name)) seen.set(one.group ?? one.name, one);
    return [...seen].map(([name, one]) => {
      const look = this.look(one);
      const swatch = h("canvas", { class: "swatch", width: "44", height: "14", "aria-hidden": "true" });
      const pen = swatch.getContext("2d");
      pen.strokeStyle = look.colour;
      pen.lineWidth = 3;
      pen.setLineDash(look.pattern === "solid" ? [] : look.pattern);
      pen.beginPath();
      pen.moveTo(0, 7);
      pen.lineTo(44, 7);
      pen.stroke();
      return h("li", {}, swatch, ` ${name}${one.u ? ", with its 95 % interval" : ""}`);
    });
  }

  toggle() {
    this.linear = !this.linear;
    this.scale.setAttribute("aria-pressed", String(this.linear));
    this.draw();
  }

  draw() {
    if (!this.canvas.isConnected || !this.canvas.clientWidth || !this.length) return;
    if (!this.view) {
      this.view = globalThis.echarts.init(this.canvas, null, { renderer: "canvas", height: this.panels.length * PANEL_PX + 36 });
      this.view.getZr().on("mousemove", (event) => this.point(event.offsetX));
      this.view.getZr().on("click", (event) => this.point(event.offsetX));
    }
    this.view.setOption(this.option(), { notMerge: true });
    this.canvas.dataset.painted = String(this.length);
  }

  option() {
    const colours = theme();
    const x = this.series.flatMap((one) => one.x);
    const [low, high] = [Math.min(...x), Math.max(...x)];
    const hidden = [];
    this.extents = this.panels.map((panel) => this.extent(panel, hidden));
    this.note.textContent = hidden.length ? `At or below zero, and so not on a logarithmic scale: ${hidden.join("; ")}. The table and the linear scale have them.` : "";
    const axis = { axisLine: { lineStyle: { color: colours.ink } }, axisLabel: { color: colours.ink }, splitLine: { show: true, lineStyle: { color: colours.grid } } };
    return {
      animation: false,
      textStyle: { fontFamily: "system-ui, sans-serif", color: colours.ink },
      grid: this.panels.map((_, i) => ({ outerBoundsMode: "none", left: LEFT, right: 18, top: 34 + i * PANEL_PX, height: PANEL_PX - 52 })),
      xAxis: this.panels.map((_, i) => ({
        ...axis, type: "log", gridIndex: i, min: low / 1.1, max: high * 1.1,
        axisLabel: { ...axis.axisLabel, show: i === this.panels.length - 1, formatter: (value) => quantity(value, "Hz"), hideOverlap: true, showMinLabel: false, showMaxLabel: false },
        name: i === this.panels.length - 1 ? "frequency" : "", nameLocation: "middle", nameGap: 26, nameTextStyle: { color: colours.ink },
      })),
      yAxis: this.panels.map((panel, i) => ({
        ...axis, type: this.extents[i].log ? "log" : "value", gridIndex: i, min: this.extents[i].min, max: this.extents[i].max,
        name: panel.label, nameTextStyle: { color: colours.ink, align: "left", padding: [0, 0, 0, -LEFT + 8] }, nameGap: 14,
        axisLabel: { ...axis.axisLabel, formatter: (value) => (panel.unit ? quantity(value, panel.unit) : number(value, 6)), hideOverlap: true, showMinLabel: !this.extents[i].log ? false : undefined, showMaxLabel: !this.extents[i].log ? false : undefined },
      })),
      series: [
        ...this.panels.flatMap((_, i) => (this.band ? [this.bandMark(i, colours)] : [])),
        ...this.series.filter((one) => one.u).map((one) => this.interval(one)),
        ...this.series.map((one) => this.line(one)),
        ...this.panels.map((_, i) => this.cursor(i, colours)),
      ],
    };
  }

  extent(panel, hidden) {
    const own = this.series.filter((one) => one.panel === panel.key);
    const finite = own.flatMap((one) => one.y).filter((y) => y !== null && Number.isFinite(y));
    const positive = finite.filter((y) => y > 0);
    const high = Math.max(...finite);
    const least = Math.min(...positive);
    const log = !panel.linear && !this.linear && positive.length > finite.length / 2 && high / least > 8;
    if (!finite.length) return { log: false, min: 0, max: 1 };
    if (log) {
      if (positive.length < finite.length) hidden.push(counted(finite.length - positive.length, panel.label));
      return { log, min: 10 ** Math.floor(Math.log10(least / 1.1)), max: 10 ** Math.ceil(Math.log10(high * 1.1)) };
    }
    const ends = own.flatMap((one) => one.y.flatMap((y, k) => (y === null ? [] : [y - reach(one, k), y + reach(one, k)])));
    const [bottom, top] = [Math.min(...ends), Math.max(...ends)];
    const pad = 0.06 * (top - bottom) || 0.1 * Math.abs(top) || 1;
    return { log, min: bottom - pad, max: top + pad };
  }

  panelOf(one) {
    return this.panels.findIndex((panel) => panel.key === one.panel);
  }

  line(one) {
    const look = this.look(one);
    const i = this.panelOf(one);
    const log = this.extents[i].log;
    return {
      type: "line", name: one.name, xAxisIndex: i, yAxisIndex: i, symbol: one.points ? look.symbol : "none", symbolSize: 5, showAllSymbol: true, silent: true,
      lineStyle: { color: look.colour, width: one.points ? 1.5 : 2.2, type: look.pattern }, itemStyle: { color: look.colour },
      data: one.x.map((x, k) => [x, one.y[k] === null || (log && one.y[k] <= 0) ? null : one.y[k]]),
    };
  }

  interval(one) {
    const i = this.panelOf(one);
    const { log, min, max } = this.extents[i];
    const within = (y) => Math.min(Math.max(y, min), max);
    const colour = this.look(one).colour;
    return {
      type: "custom", xAxisIndex: i, yAxisIndex: i, silent: true, clip: true, data: [[one.x[0], one.y[0]]],
      renderItem: (_params, api) => {
        const good = one.x.map((_, k) => k).filter((k) => one.y[k] !== null && (!log || one.y[k] + reach(one, k) > 0));
        const above = good.map((k) => api.coord([one.x[k], within(one.y[k] + reach(one, k))]));
        const below = good.map((k) => api.coord([one.x[k], within(one.y[k] - reach(one, k))]));
        return { type: "polygon", shape: { points: [...above, ...below.reverse()] }, style: { fill: colour, opacity: 0.25 } };
      },
    };
  }

  bandMark(i, colours) {
    const [from, to] = this.band;
    const { min, max } = this.extents[i];
    return {
      type: "custom", xAxisIndex: i, yAxisIndex: i, silent: true, clip: true, data: [[from, min]],
      renderItem: (_params, api) => {
        const [left, bottom] = api.coord([from, min]);
        const [right, top] = api.coord([to, max]);
        return { type: "rect", shape: { x: left, y: top, width: Math.max(right - left, 3), height: bottom - top }, style: { fill: colours.mark, opacity: 0.2, stroke: colours.mark, lineWidth: 1 } };
      },
    };
  }

  cursor(i, colours) {
    const x = this.series[0].x[this.at];
    const { min, max } = this.extents[i];
    return { id: `cursor${i}`, type: "line", xAxisIndex: i, yAxisIndex: i, symbol: "none", silent: true, lineStyle: { color: colours.ink, width: 1.2, type: "solid" }, data: this.shown ? [[x, min], [x, max]] : [] };
  }

  key(event) {
    const jump = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10, Home: -Infinity, End: Infinity }[event.key];
    if (jump === undefined || !this.length) return;
    event.preventDefault();
    this.move(this.shown || !Number.isFinite(jump) ? this.at + jump : this.at);
  }

  point(px) {
    if (!this.length) return;
    const x = this.view.convertFromPixel({ xAxisIndex: 0 }, px);
    let best = 0;
    this.series[0].x.forEach((at, i) => {
      if (Math.abs(Math.log(at / x)) < Math.abs(Math.log(this.series[0].x[best] / x))) best = i;
    });
    this.move(best);
  }

  move(to) {
    this.at = Math.min(Math.max(to, 0), this.length - 1);
    this.shown = true;
    const text = this.valuesAt(this.at);
    this.readout.textContent = text;
    this.board.setAttribute("aria-valuenow", String(this.at));
    this.board.setAttribute("aria-valuetext", text);
    const colours = theme();
    this.view?.setOption({ series: this.panels.map((_, i) => this.cursor(i, colours)) });
  }

  valuesAt(i) {
    const x = this.series[0].x[i];
    const values = this.series.map((one) => ({ one, k: nearest(one.x, x) })).filter(({ one, k }) => k >= 0 && one.y[k] !== null)
      .map(({ one, k }) => `${one.name} ${this.value(one, k)}`);
    return `${quantity(x, "Hz", 4)}: ${values.join(", ")}`;
  }

  value(one, k) {
    if (one.y[k] === null) return "none";
    const unit = this.panels[this.panelOf(one)].unit;
    const text = one.u ? withU(one.y[k], one.u[k]) : number(one.y[k]);
    return unit ? `${text} ${unit}` : text;
  }

  fill() {
    if (!this.details.open) return;
    const head = h("tr", {}, h("th", { scope: "col" }, "frequency"), this.series.map((one) => h("th", { scope: "col" }, `${one.name}${one.u ? " ± standard uncertainty" : ""}`)));
    const rows = (this.series[0]?.x ?? []).map((x) => h("tr", {}, h("th", { scope: "row" }, quantity(x, "Hz", 4)), this.series.map((one) => {
      const k = nearest(one.x, x);
      return h("td", {}, k < 0 ? "–" : this.value(one, k));
    })));
    put(this.table, h("table", {}, h("thead", {}, head), h("tbody", {}, rows)));
  }

  forget() {
    drawn.delete(this);
    this.view?.dispose();
    this.view = null;
  }
}

/** Return how many values there are of a quantity. */
function counted(count, label) {
  return `${count} ${count === 1 ? "value" : "values"} of ${label}`;
}

/** Return half the 95 % interval of a value. */
function reach(one, k) {
  return one.u && Number.isFinite(one.u[k]) ? NORMAL_95 * one.u[k] : 0;
}

/** Return the index of a frequency in a row, or of the nearest within two percent; -1 for none. */
function nearest(row, x) {
  let best = -1;
  row.forEach((at, i) => {
    if (Math.abs(Math.log(at / x)) < (best < 0 ? 0.02 : Math.abs(Math.log(row[best] / x)))) best = i;
  });
  return best;
}

/** Draw every chart again, in the colours as they are now. */
export function redraw() {
  for (const chart of [...drawn]) {
    if (chart.canvas.isConnected) chart.draw();
    else chart.forget();
  }
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
