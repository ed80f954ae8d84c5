// Charts over time show the same span: whichever is zoomed, the others follow.
(function () {
    const OVER_TIME = ["vehicle-happened", "vehicle-level", "vehicle-cycles", "vehicle-map", "vehicle-line"];
    const DAY_MS = 86400000;
    const plot = (id) => document.querySelector(`#${id} .js-plotly-plot`);
    const local = (at) => new Date(at - new Date(at).getTimezoneOffset() * 60000).toISOString().slice(0, 19);
    let following = false;

    async function show(range, but) {
        following = true;
        for (const id of OVER_TIME.filter((one) => one !== but)) {
            const chart = plot(id);
            if (!chart || !window.Plotly) continue;
            const axes = Object.keys(chart._fullLayout).filter((name) => /^xaxis\d*$/.test(name));
            const change = {};
            for (const axis of axes) {
                if (range) change[`${axis}.range`] = range;
                else change[`${axis}.autorange`] = true;
            }
            await window.Plotly.relayout(chart, change);
        }
        following = false;
    }

    // A mouse may drag a span; a thumb has to be able to move the page. Drawn anew once a mouse comes, as most charts are only read.
    function draggable(event) {
        const chart = event.target.closest && event.target.closest(".js-plotly-plot");
        if (event.pointerType !== "mouse" || !chart || !window.Plotly || !chart._fullLayout) return;
        const id = OVER_TIME.find((one) => plot(one) === chart);
        if (!id) return;
        if (chart._fullLayout.dragmode !== "zoom") window.Plotly.relayout(chart, {dragmode: "zoom"});
        if (chart.dataset.linked) return;
        chart.dataset.linked = "yes";
        chart.on("plotly_relayout", (told) => {
            if (following) return;
            if (told["xaxis.range[0]"]) show([told["xaxis.range[0]"], told["xaxis.range[1]"]], id);
            else if (told["xaxis.autorange"]) show(null, id);
        });
    }

    function linked(span) {
        const asked = window.dash_clientside.callback_context.triggered.some((one) => one.prop_id === "vehicle-span.value");
        if (asked) show(span === "all" ? null : [local(Date.now() - Number(span) * DAY_MS), local(Date.now() + 2 * DAY_MS)], "");
        return window.dash_clientside.no_update;
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {linked});
    document.addEventListener("pointerover", draggable, {passive: true});
})();
