// The charts over time: one span for all, by mouse, by two fingers, by keys; a row of the map opens its line.
(function () {
    const DAY_MS = 86400000, SHORTEST_MS = 6 * 3600000, NARROW_PX = 560, NARROW_LEFT_PX = 34;
    const plot = () => document.querySelector("#vehicle-stack .js-plotly-plot");
    const said = (ms) => new Date(ms).toISOString().slice(0, 19);  // times of an axis are local already, and carry no zone
    const asMs = (at) => (typeof at === "number" ? at : Date.parse(`${String(at).replace(" ", "T").slice(0, 19)}Z`));
    let wanted = null;  // the span that somebody chose, as two numbers; null: everything
    let asked = 0;

    const home = (chart) => chart.layout.meta.home.map(asMs);
    const now = (chart) => wanted || home(chart);

    function show(chart, span) {
        const whole = home(chart), long = whole[1] - whole[0];
        if (span) {
            let width = Math.max(span[1] - span[0], SHORTEST_MS);
            let first = span[0];
            if (width >= long) span = null;
            else {
                first = Math.min(Math.max(first, whole[0]), whole[1] - width);
                span = [first, first + width];
            }
        }
        wanted = span;
        if (asked) return;
        asked = requestAnimationFrame(() => {
            asked = 0;
            const [a, b] = now(chart);
            window.Plotly.relayout(chart, {"xaxis.range": [said(a), said(b)]});
        });
    }

    // On a phone names of lines have no room beside the charts: their numbers have.
    function fit(chart) {
        const narrow = chart.clientWidth < NARROW_PX;
        if (!chart._fullLayout || narrow === (chart._fullLayout.margin.l === NARROW_LEFT_PX)) return false;
        const {map} = chart.layout.meta, change = {"margin.l": narrow ? NARROW_LEFT_PX : 148, "margin.r": narrow ? 26 : 44, "xaxis.nticks": narrow ? 5 : 9, "xaxis2.nticks": narrow ? 5 : 9};
        if (map) {
            const heat = chart.data.find((one) => one.type === "heatmap"), axis = `yaxis${map.slice(1)}`;
            change[`${axis}.tickvals`] = narrow ? heat.y : null;
            change[`${axis}.ticktext`] = narrow ? heat.y.map((name) => name.split(" ")[0]) : null;
            change[`${axis}.tickmode`] = narrow ? "array" : "auto";
        }
        const first = chart._fullLayout.yaxis;
        if (first.type === "category") change["yaxis.ticklabelposition"] = narrow ? "inside top" : "outside";
        window.Plotly.relayout(chart, change);
        return true;
    }

    function begin(chart) {
        if (chart.dataset.begun) return;
        chart.dataset.begun = "yes";
        chart.on("plotly_relayout", (told) => {
            if (told["xaxis.range[0]"] !== undefined) wanted = [asMs(told["xaxis.range[0]"]), asMs(told["xaxis.range[1]"])];
            else if (told["xaxis.autorange"] || told["xaxis2.autorange"]) show(chart, null);
        });
        // New data come as they are served: room and span are put back.
        chart.on("plotly_afterplot", () => {
            if (fit(chart)) return;
            if (!wanted || asked || !chart._fullLayout) return;
            const [a, b] = chart._fullLayout.xaxis.range.map(asMs);
            if (Math.abs(a - wanted[0]) + Math.abs(b - wanted[1]) > 2000) show(chart, wanted);
        });
        fit(chart);
        new ResizeObserver(() => fit(chart)).observe(chart);
    }
    new MutationObserver(() => {
        const chart = plot();
        if (!chart) wanted = null;
        else if (chart._fullLayout && window.Plotly && chart.layout.meta) begin(chart);
    }).observe(document.documentElement, {childList: true, subtree: true});

    const inStack = (event) => event.target.closest && event.target.closest("#vehicle-stack");

    // A mouse may drag a span; a thumb has to be able to move the page.
    document.addEventListener("pointerover", (event) => {
        const chart = plot();
        if (event.pointerType !== "mouse" || !inStack(event) || !chart || !chart._fullLayout || chart._fullLayout.dragmode === "zoom") return;
        window.Plotly.relayout(chart, {dragmode: "zoom"});
    }, {passive: true});

    // Two fingers change the span and move it; one moves it sideways once it is not the whole.
    const fingers = new Map();
    let from = null;
    const place = (chart, x) => {
        const {_offset: left, _length: width} = chart._fullLayout.xaxis;
        return (x - chart.getBoundingClientRect().left - left) / width;
    };
    function touched(event) {
        const chart = plot();
        if (event.pointerType !== "touch" || !chart || !chart._fullLayout || (event.type === "pointerdown" && !inStack(event))) return;
        if (event.type === "pointerdown") fingers.set(event.pointerId, event.clientX);
        else if (event.type === "pointermove" && fingers.has(event.pointerId)) fingers.set(event.pointerId, event.clientX);
        else if (event.type !== "pointermove") fingers.delete(event.pointerId);
        if (event.type !== "pointermove") {
            from = fingers.size ? {span: now(chart), at: [...fingers.values()].map((x) => place(chart, x))} : null;
            return;
        }
        if (!from || fingers.size !== from.at.length || fingers.size > 2 || (fingers.size === 1 && !wanted)) return;
        const at = [...fingers.values()].map((x) => place(chart, x)), [a, b] = from.span, width = b - a;
        if (fingers.size === 1) return show(chart, [a - (at[0] - from.at[0]) * width, b - (at[0] - from.at[0]) * width]);
        const scale = Math.max(Math.abs(from.at[1] - from.at[0]), 0.02) / Math.max(Math.abs(at[1] - at[0]), 0.02);
        const middle = a + ((from.at[0] + from.at[1]) / 2) * width;
        const first = middle - ((at[0] + at[1]) / 2) * width * scale;
        show(chart, [first, first + width * scale]);
    }
    for (const name of ["pointerdown", "pointermove", "pointerup", "pointercancel"]) document.addEventListener(name, touched, {passive: true});
    document.addEventListener("touchmove", (event) => {
        if (event.touches.length === 2 && inStack(event)) event.preventDefault();
    }, {passive: false});

    document.addEventListener("keydown", (event) => {
        const chart = plot();
        if (event.target.id !== "vehicle-charts" || !chart || !chart._fullLayout || event.ctrlKey || event.metaKey || event.altKey) return;
        const [a, b] = now(chart), width = b - a, middle = (a + b) / 2;
        const moves = {ArrowLeft: [a - width / 4, b - width / 4], ArrowRight: [a + width / 4, b + width / 4],
            "+": [middle - width / 4, middle + width / 4], "-": [middle - width, middle + width], 0: null};
        if (!(event.key in moves)) return;
        event.preventDefault();
        show(chart, moves[event.key]);
    });

    // Lines are opened by their buttons and rows, and by rows of the map.
    function open(number) {
        for (const button of document.querySelectorAll("button[data-line]")) button.setAttribute("aria-pressed", String(button.dataset.line === String(number)));
        window.dash_clientside.set_props("vehicle-opened", {data: Number(number)});
    }
    document.addEventListener("click", (event) => {
        const chosen = event.target.closest && event.target.closest(".vehicle-lines [data-line]");
        if (!chosen) return;
        open(chosen.dataset.line);
        const detail = document.getElementById("vehicle-line");
        if (detail.getBoundingClientRect().top > window.innerHeight * 0.8 || detail.getBoundingClientRect().bottom < 120) detail.scrollIntoView({block: "start"});
    });
    let pressed = null;
    document.addEventListener("pointerdown", (event) => { pressed = inStack(event) ? [event.clientX, event.clientY] : null; }, {passive: true, capture: true});
    document.addEventListener("pointerup", (event) => {
        const chart = plot();
        // While it is pressed the chart lays a cover over the page, so that only where it began says what was meant.
        if (!pressed || !chart || !chart._fullLayout || !chart.layout.meta.map) return;
        if (Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > 5) return;
        const axis = chart._fullLayout[`yaxis${chart.layout.meta.map.slice(1)}`], names = chart.layout.meta.lines;
        const row = Math.floor(((event.clientY - chart.getBoundingClientRect().top - axis._offset) / axis._length) * names.length);
        if (row >= 0 && row < names.length && names[row] !== null) open(names[row]);
    }, {passive: true, capture: true});

    // A page that is replaced by a refresh keeps the focus where it was.
    let focused = null;
    const same = (node) => node.id || `${node.tagName} ${node.getAttribute("href") || ""} ${node.textContent}`;
    document.addEventListener("focusin", ({target}) => {
        const part = target.closest && target.closest(".vehicle [id^=vehicle-]");
        focused = part && part !== target ? [part.id, same(target), target.tagName] : null;
    });
    new MutationObserver(() => {
        if (!focused || document.activeElement !== document.body) return;
        const part = document.getElementById(focused[0]);
        const again = part && [...part.querySelectorAll(focused[2])].find((node) => same(node) === focused[1]);
        if (again) again.focus({preventScroll: true});
    }).observe(document.documentElement, {childList: true, subtree: true});

    // On paper everything is unfolded, and the charts are as wide as the sheet.
    const PAPER_PX = 700;
    let unfolded = [];
    window.addEventListener("beforeprint", () => {
        if (!document.querySelector(".vehicle")) return;
        unfolded = [...document.querySelectorAll(".vehicle details:not([open]):not(.cautions):not(.menu):not(#remark-form)")];
        for (const one of unfolded) one.open = true;
        const charts = document.getElementById("vehicle-charts");
        if (charts) Object.assign(charts.style, {width: `${charts.clientWidth}px`, zoom: Math.min(1, PAPER_PX / charts.clientWidth)});
    });
    window.addEventListener("afterprint", () => {
        for (const one of unfolded) one.open = false;
        unfolded = [];
        const charts = document.getElementById("vehicle-charts");
        if (charts) Object.assign(charts.style, {width: "", zoom: ""});
    });
    document.addEventListener("click", (event) => {
        if (event.target.closest && event.target.closest("#vehicle-print")) window.print();
    });

    function span(days) {
        const chart = plot();
        if (chart && window.Plotly) {
            const [, last] = home(chart), until = Math.min(last, asMs(chart.layout.meta.now) + 2 * DAY_MS);
            show(chart, days === "all" ? null : [until - (Number(days) + 2) * DAY_MS, until]);
        }
        return window.dash_clientside.no_update;
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {span});
})();
