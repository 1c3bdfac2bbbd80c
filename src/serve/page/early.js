// Chooses the palette before anything is drawn: a white flash would undo half an hour of adapting to the dark.
"use strict";
{
  let kept = null;
  try { kept = localStorage.getItem("bench.palette"); } catch { /* a browser may refuse to keep anything */ }
  const night = kept === null ? matchMedia("(prefers-color-scheme: dark)").matches : kept === "night";
  document.documentElement.dataset.palette = night ? "night" : "day";
  try { document.documentElement.dataset.dim = localStorage.getItem("bench.dim") ?? "0"; } catch { /* as bright as it is */ }
}
