// The frame around all pages: which page and scope it shows, how old the data is, the cursor in the search, light and dark.
(function () {
    const SCOPED = ["/", "/fleet", "/alarms", "/rounds", "/points", "/work", "/grease", "/account", "/account/report", "/parts", "/data", "/patterns"];
    const BELONGS = [["/vehicle/", "/fleet"], ["/handover/", "/fleet"], ["/label/", "/fleet"], ["/evidence/", "/fleet"]];
    // A text of this page's language, its places filled; the English one is its name.
    let texts = null;
    window.tallowTr = (text, places) => {
        texts = texts || JSON.parse(document.querySelector("meta[name=texts]")?.content || "{}");
        return (texts[text] || text).replace(/\{(\w+)\}/g, (_, name) => places[name]);
    };
    const tr = window.tallowTr;
    const no = () => window.dash_clientside.no_update;
    const scheme = () => document.documentElement.dataset.mantineColorScheme || "light";

    const asked = (search) => {
        const told = new URLSearchParams(search || "");
        return told.get("depot") ? `depot=${told.get("depot")}` : told.get("fleet") ? `fleet=${told.get("fleet")}` : "";
    };
    const query = (scope) => {
        if (!scope) return "";
        const [name, ...value] = scope.split("=");
        return `?${new URLSearchParams({[name]: value.join("=")})}`;
    };
    const home = (path) => (BELONGS.find(([begin]) => path.startsWith(begin)) || [null, path])[1];

    // Marked by hand: a link says to a screen reader, too, that it leads to where one is.
    function mark(path) {
        for (const link of document.querySelectorAll("[data-nav] a")) {
            const here = new URL(link.href, location.href).pathname === home(path);
            here ? link.setAttribute("aria-current", "page") : link.removeAttribute("aria-current");
        }
    }

    // A page that goes by depot shows the one of its address; others leave the choice as it was, and do not show it: it narrows nothing there.
    function follow(path, search, kept, ids) {
        const scope = SCOPED.includes(path) ? asked(search) : kept || "";
        document.documentElement.toggleAttribute("data-unscoped", !SCOPED.includes(path));
        setTimeout(() => mark(path), 0);
        setTimeout(() => mark(path), 400);
        const hrefs = ids.map((id) => id.to + (SCOPED.includes(id.to) ? query(scope) : ""));
        return [scope, scope, hrefs, scheme()];
    }

    function choose(scope, path, search) {
        if (scope === undefined || scope === null) return no();
        return SCOPED.includes(path) && scope !== asked(search) ? path + query(scope) : no();
    }

    async function state(_, scope) {
        const trouble = (words) => [words, words, "state-of-data is-late", words, no(), no(), no(), no()];
        try {
            const answer = await fetch(`/frame${query(scope)}`, {cache: "no-store"});
            if (answer.status === 401) return trouble(tr("You are signed out; load the page again."));
            if (!answer.ok) return trouble(tr("The server has trouble; what you see may be old."));
            const told = await answer.json();
            const [alarms, refills] = [told.alarms, told.refills].map((n) => (n ? String(n) : ""));
            return [told.words, told.late ? told.words : "", `state-of-data${told.late ? " is-late" : ""}`, told.about, alarms, refills, alarms, refills];
        } catch (error) {
            return trouble(tr("No connection; what you see may be old."));
        }
    }

    // The first thing found, by the enter key.
    function first(presses) {
        const link = document.querySelector("#find-found a");
        if (presses && link) {
            link.click();
            document.activeElement.blur();
        }
        return no();
    }

    function dress(choice) {
        const key = "mantine-color-scheme-value";
        if (choice && localStorage.getItem(key) !== choice) {
            localStorage.setItem(key, choice);
            window.dispatchEvent(new StorageEvent("storage", {key, newValue: choice, storageArea: localStorage}));
        }
        return no();
    }

    function reload(kept) {
        if (kept) location.reload();
        return no();
    }

    // The drawer of other pages opens and shuts by its button, and shuts once a page was chosen in it: that lies beneath.
    const toggle = (_, path, search, open) => window.dash_clientside.callback_context.triggered_id === "more-open" && !open;
    const FOLDED = " fleet-folded";
    const unfold = (_, names) => (names.includes(FOLDED) ? names.replace(FOLDED, "") : names + FOLDED);

    document.addEventListener("keydown", (event) => {
        const field = document.querySelector("#find");
        if (event.key === "/" && field && !event.ctrlKey && !event.metaKey && !event.target.closest("input, textarea, select, [contenteditable]")) {
            event.preventDefault();
            field.focus();
        }
        if (!event.target.closest?.(".find")) return;
        const links = [...document.querySelectorAll("#find-found a")];
        const step = {ArrowDown: 1, ArrowUp: -1}[event.key];
        if (event.key === "Escape") event.target.blur();
        if (!step || !links.length) return;
        event.preventDefault();
        const next = links.indexOf(document.activeElement) + step;
        (next < 0 ? field : links[Math.min(next, links.length - 1)]).focus();
    });
    // A menu shuts with a press elsewhere, with the escape key, and once something in it was chosen.
    const shut = (but) => document.querySelectorAll("details.menu[open]").forEach((one) => one !== but && one.removeAttribute("open"));
    document.addEventListener("keydown", (event) => {
        const menu = event.key === "Escape" && event.target.closest?.("details.menu[open]");
        if (menu) {
            shut();
            menu.querySelector("summary").focus();
        }
    });
    document.addEventListener("click", (event) => {
        const inside = event.target.closest?.("details.menu");
        shut(event.target.closest?.(".panel a, .panel .item") ? null : inside);
        if (event.target.closest?.("#find-found a")) setTimeout(() => document.activeElement.blur(), 0);
    });
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {follow, choose, state, first, dress, reload, toggle, unfold});
    new MutationObserver(() => window.dash_clientside.set_props("scheme-now", {data: scheme()}))
        .observe(document.documentElement, {attributeFilter: ["data-mantine-color-scheme"]});
})();
