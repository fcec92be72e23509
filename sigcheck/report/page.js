// One sound at a time; on paper every fold-out lies open.
addEventListener("play", (e) => {
  for (const a of document.querySelectorAll("audio")) if (a !== e.target) a.pause();
}, true);
addEventListener("beforeprint", () => {
  for (const d of document.querySelectorAll("details:not([open])")) { d.open = true; d.dataset.shut = ""; }
});
addEventListener("afterprint", () => {
  for (const d of document.querySelectorAll("details[data-shut]")) { d.open = false; delete d.dataset.shut; }
});
