// The component for uploads leaves its field without a name for those who do not see it.
new MutationObserver(() => {
    for (const field of document.querySelectorAll(".upload input[type=file]:not([aria-label])")) {
        field.setAttribute("aria-label", "vehicles.csv and lines.csv");
    }
}).observe(document.documentElement, {childList: true, subtree: true});
