// Okabe and Ito's colours, told apart by those who see few colours; line patterns and marks differ, too.

export const SERIES = [
  { colour: "#0072B2", pattern: "solid", symbol: "circle" },
  { colour: "#D55E00", pattern: [7, 4], symbol: "rect" },
  { colour: "#E69F00", pattern: [2, 3], symbol: "triangle" },
  { colour: "#CC79A7", pattern: [10, 3, 2, 3], symbol: "diamond" },
];

/** Return the colours of the page as they are now. */
export function theme() {
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(name).trim();
  return { ink: read("--ink"), paper: read("--card"), grid: read("--grid"), quiet: read("--quiet"), mark: read("--mark") };
}
