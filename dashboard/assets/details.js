// What somebody has opened stays open, and keeps the focus, when a refresh puts new contents in its place.
(() => {
  const opened = new Set();
  const key = (details) => `${location.pathname} ${details.dataset.keep}`;
  let focused = null;
  document.addEventListener("toggle", ({ target }) => {
    if (target.dataset?.keep && target.isConnected) target.open ? opened.add(key(target)) : opened.delete(key(target));
  }, true);
  document.addEventListener("focusin", ({ target }) => {
    focused = target.closest?.("summary")?.parentElement?.dataset.keep ?? null;
  });
  new MutationObserver((changes) => {
    for (const { addedNodes } of changes) for (const node of addedNodes) {
      if (!(node instanceof Element)) continue;
      for (const details of [...(node.matches("details[data-keep]") ? [node] : []), ...node.querySelectorAll("details[data-keep]")]) {
        if (opened.has(key(details))) details.open = true;
        if (details.dataset.keep === focused && document.activeElement === document.body) details.querySelector("summary").focus();
      }
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
