// Numbers as people read and type them: prefixes, uncertainties, units.

const PREFIXES = { "-15": "f", "-12": "p", "-9": "n", "-6": "µ", "-3": "m", 0: "", 3: "k", 6: "M", 9: "G" };
const FACTORS = { "": 1, n: 1e-9, u: 1e-6, "µ": 1e-6, "μ": 1e-6, m: 1e-3, k: 1e3, M: 1e6, G: 1e9 };

function plain(number) {
  return String(number).replace("-", "−");
}

/** Return a number with so many places; a zero has no sign. */
function fixed(value, places) {
  const text = value.toFixed(places);
  return plain(/[1-9]/.test(text) ? text : text.replace("-", ""));
}

/** Return a value with its unit and the prefix that keeps it between 1 and 1000. */
export function quantity(value, unit, digits = 3) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "not known";
  if (value === 0) return `0 ${unit}`.trim();
  const rounded = Number(value.toPrecision(digits));
  const power = Math.min(Math.max(3 * Math.floor(Math.log10(Math.abs(rounded)) / 3 + 1e-12), -15), 9);
  return `${plain(Number((rounded / 10 ** power).toPrecision(digits)))} ${PREFIXES[power]}${unit}`.trim();
}

/** Return a number with some digits, without a prefix. */
export function number(value, digits = 4) {
  return value === null || value === undefined || !Number.isFinite(value) ? "–" : plain(Number(value.toPrecision(digits)));
}

/** Return value ± u with two digits of u, and the value as fine. */
export function withU(value, u) {
  if (!(u > 0)) return number(value);
  let exponent = Math.floor(Math.log10(u)) - 1;
  if (Math.round(u / 10 ** exponent) >= 100) exponent += 1;
  const step = 10 ** Math.max(0, exponent);
  const round = (x) => fixed(Math.round(x / step) * step, 0);
  const shown = exponent < 0 ? (x) => fixed(x, Math.min(-exponent, 100)) : round;
  return `${shown(value)} ± ${shown(u)}`;
}

/** Return a probability as a person reads it; never as certainty, which no measurement gives. */
export function percent(probability) {
  if (probability < 0.001) return "< 0.1 %";
  if (probability > 0.999) return "> 99.9 %";
  return `${fixed(100 * probability, probability < 0.1 || probability > 0.99 ? 1 : 0)} %`;
}

// Spaces within a number with its comparison, its uncertainty, its unit: the rule of wording.py.
const BONDS =
  /(?<=[<>≤≥±×≈]) (?=[\d.−])|(?<=\d) (?=[%‰±°]|(?:\d{3}|[fpnµμmkMG]?(?:Hz|Ω|F|H|T|V|A|m|W|s|K|g|ohm)|dB)(?![\p{L}\d_]))/gu;

/** Return a text in which no line ends between a number and its sign or unit. */
export function bound(text) {
  return text.replace(BONDS, "\u00a0");
}

/** Return an age in words. */
export function age(days) {
  const minutes = days * 1440;
  if (minutes < 2) return "just now";
  if (minutes < 120) return `${Math.round(minutes)} minutes ago`;
  if (days < 2) return `${Math.round(days * 24)} hours ago`;
  return `${Math.round(days)} days ago`;
}

/** Return a time of a record, in local time. */
export function when(text) {
  const time = new Date(text);
  return Number.isNaN(time.getTime()) ? String(text) : time.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

/** Return what was typed in SI; throws a line that says what is wrong. An empty text gives null. */
export function typed(text, unit, example) {
  const trimmed = text.trim();
  if (!trimmed) return null;
  if (/\d,\d/.test(trimmed)) throw new Error(`The decimal sign is a point, not a comma: got ${trimmed}; write it like ${example}.`);
  const found = /^([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Zµμ]*)$/.exec(trimmed);
  let prefix = null;
  if (found && found[2] === "") throw new Error(`The unit is missing: got ${trimmed}; write it like ${example}.`);
  if (found) prefix = found[2].endsWith(unit) ? found[2].slice(0, -unit.length) : found[2];
  if (prefix === null || !(prefix in FACTORS)) throw new Error(`This cannot be read: got ${trimmed}; write it like ${example}.`);
  return Number(found[1]) * FACTORS[prefix];
}
