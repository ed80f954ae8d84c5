// The component for uploads leaves its field without a name for those who do not see it.
new MutationObserver(() => {
    for (const field of document.querySelectorAll("input[type=file]:not([aria-label])")) {
        const calendar = field.closest("#setup-calendar");
        field.setAttribute("aria-label", calendar ? window.tallowTr("iCalendar file of closed days") : window.tallowTr("vehicles.csv and lines.csv"));
    }
}).observe(document.documentElement, {childList: true, subtree: true});
