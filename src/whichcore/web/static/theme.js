// Runs before the page is drawn, so that it does not flash in the other colours.
(function () {
  let kept = null;
  try { kept = localStorage.getItem("whichcore-theme"); } catch { /* storage is off: the system decides */ }
  if (kept === "dark" || kept === "light") document.documentElement.dataset.theme = kept;
})();
