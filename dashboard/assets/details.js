// What somebody has opened or closed stays so, and keeps the focus, when a refresh puts new contents in its place.
(() => {
  const opened = new Map();  // as somebody left it: open or closed
  const key = (details) => `${location.pathname} ${details.dataset.keep}`;
  let focused = null;
  document.addEventListener("toggle", ({ target }) => {
    if (target.dataset?.keep && target.isConnected) opened.set(key(target), target.open);
  }, true);
  document.addEventListener("focusin", ({ target }) => {
    focused = target.closest?.("summary")?.parentElement?.dataset.keep ?? null;
  });
  new MutationObserver((changes) => {
    for (const { addedNodes } of changes) for (const node of addedNodes) {
      if (!(node instanceof Element)) continue;
      for (const details of [...(node.matches("details[data-keep]") ? [node] : []), ...node.querySelectorAll("details[data-keep]")]) {
        if (opened.has(key(details))) details.open = opened.get(key(details));
        if (details.dataset.keep === focused && document.activeElement === document.body) details.querySelector("summary").focus();
      }
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
