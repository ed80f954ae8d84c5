// Records that the server refused after they were kept on this device: they stay, each with its reason, until somebody changes or discards it.
(function () {
    const tr = (text, places) => window.tallowTr(text, places);
    const CHANGING = "tallow-changing";  // the key of the record that somebody changes, in this tab
    const kept = () => window.tallowKept.kept();
    const refused = () => kept().filter((one) => one.problem);
    const of = (key) => kept().find((one) => one.record.key === key);
    const place = () => document.getElementById("refused");
    const address = (entry) => `/vehicle/${entry.fleet}/${entry.name}`;
    const hasForm = (entry) => !entry.record.withdrawn && !(entry.remark && entry.remark.photo);

    function element(name, text, more = {}) {
        return Object.assign(document.createElement(name), {textContent: text}, more);
    }

    function said(entry) {
        const kinds = JSON.parse(place().dataset.kinds), {kind, by, at_us: at, withdrawn} = entry.record;
        const what = entry.remark ? entry.remark.text || tr("photo") : (kinds[kind] || kind) + (withdrawn ? ` (${tr("withdrawn")})` : "");
        const when = at ? new Date(at / 1000).toLocaleString(document.documentElement.lang, {dateStyle: "medium", timeStyle: "short"}) : "";
        return [entry.name, what, when, by].filter(Boolean).join(" · ");
    }

    function item(entry) {
        const key = entry.record.key, row = element("li", "");
        const button = (text, act) => element("button", text, {type: "button", className: "button", onclick: act, ariaLabel: `${text}: ${said(entry)}`});
        const buttons = element("div", "", {className: "work-refused-buttons"});
        if (hasForm(entry)) buttons.append(button(tr("Change it"), () => begin(key)));
        buttons.append(
            button(tr("Send it again"), () => window.tallowKept.again(key)),
            button(tr("Discard it"), (event) => {  // twice, since nobody can bring it back
                if (event.target.dataset.sure) return window.tallowKept.discard(key);
                event.target.dataset.sure = "yes";
                event.target.textContent = tr("Discard it: press once more");
            }),
        );
        row.append(element("a", said(entry), {href: `${address(entry)}#work`}), element("div", entry.problem, {className: "warns"}), buttons);
        return row;
    }

    let shown = "";
    function render() {
        const entries = place() && window.tallowKept ? refused() : [];
        const told = JSON.stringify(entries.map((one) => [one.record.key, one.problem]));
        if (!place() || (told === shown && Boolean(place().children.length) === Boolean(entries.length))) return;
        shown = told;
        const list = element("ul", "", {className: "plain-list"});
        list.append(...entries.map(item));
        place().replaceChildren(...(entries.length ? [element("h2", tr("Kept on this device, and refused: not recorded")), list] : []));
    }

    // The form of the vehicle as the record has it, from the page itself or after going there.
    function begin(key) {
        sessionStorage.setItem(CHANGING, key);
        if (location.pathname === address(of(key))) fill();
        else location.assign(`${address(of(key))}#work`);
    }

    function fill() {
        const entry = of(sessionStorage.getItem(CHANGING)), form = document.querySelector("[data-litres-in-one]");
        if (!entry || !form || location.pathname !== address(entry)) return;
        const set = (id, value, name = "value") => window.dash_clientside.set_props(id, {[name]: value});
        const one = entry.record, number = (value) => value ?? "";
        form.scrollIntoView();
        set("work-by", one.by);
        if (entry.remark) {
            document.getElementById("remark-form").open = true;
            set("remark-on", entry.remark.on);
            set("remark-text", entry.remark.text);
            return;
        }
        const local = new Date(one.at_us / 1000).toLocaleString("sv-SE", {timeZone: form.dataset.timezone});
        const litres = one.litres == null ? "" : Math.round(one.litres / form.dataset.litresInOne * 100) / 100;
        const values = {
            kind: one.kind, lines: (one.lines || []).map(String), litres, to: number(one.to_pct), interval: number(one.interval_min),
            run: number(one.run_s), channel: one.channel || "", depot: one.depot || "", grease: one.grease || "",
            points: (one.points || []).map(String), hours: number(one.engine_h), km: number(one.odometer_km), at: one.at_local || local,
            note: one.note || "", found: one.found || "", cause: one.cause || "",
        };
        for (const [name, value] of Object.entries(values)) set(`work-${name}`, value);
        set("work-new-meter", Boolean(one.new_meter), "checked");
        if (one.about) set("work-about", JSON.stringify(one.about));
    }

    // What was changed is recorded, or kept to be sent: the one that was refused has done its part.
    function changed(who, told) {
        const key = sessionStorage.getItem(CHANGING), entry = key && of(key);
        if (entry && entry.problem && entry.fleet === who.fleet && entry.name === who.name && window.tallowKept.isTaken(told)) {
            sessionStorage.removeItem(CHANGING);
            window.tallowKept.discard(key);
        }
        return told;
    }

    window.tallowRefused = {changed};
    window.addEventListener("tallow-kept", render);
    window.addEventListener("storage", render);
    new MutationObserver(() => {
        render();
        const form = document.querySelector("[data-litres-in-one]:not([data-looked-at])");
        if (!form) return;
        form.dataset.lookedAt = "yes";
        setTimeout(fill, 0);
    }).observe(document.documentElement, {childList: true, subtree: true});
})();
