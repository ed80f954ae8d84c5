// Records of work: kept on the phone until the server has them.
(function () {
    const KEPT = "tallow-work";
    const kept = () => JSON.parse(localStorage.getItem(KEPT) || "[]");
    const keep = (records) => localStorage.setItem(KEPT, JSON.stringify(records));
    const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("");

    async function sendOne(entry) {
        const answer = await fetch(`/work/${entry.fleet}/${entry.name}`, {
            method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(entry.record),
        });
        if (answer.status >= 500) throw new Error("away");
        return answer.ok ? "" : (await answer.json()).problem;
    }

    // Sends what is kept, oldest first; gives what the server says of the record with this key.
    async function send(key) {
        let told = "";
        for (const entry of kept()) {
            try {
                const problem = await sendOne(entry);
                keep(kept().filter((other) => other.record.key !== entry.record.key));
                if (problem && entry.record.key === key) told = problem;
                else if (problem) told = told || `An earlier record was refused: ${problem}`;
            } catch (error) {
                return `No connection: ${kept().length} kept on this device, sent as soon as there is one.`;
            }
        }
        return told || "Recorded.";
    }

    async function hand(who, record) {
        keep([...kept(), {fleet: who.fleet, name: who.name, record}]);
        return send(record.key);
    }

    const number = (value) => (value === "" || value === null || value === undefined ? null : Number(value));

    async function record(clicks, who, asks, kind, lines, litres, to, interval, run, channel, depot, by, at, note) {
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return "Say who did it.";
        const said = {
            lines: (lines || []).map(Number), litres: number(litres), to_pct: number(to), interval_min: number(interval),
            run_s: number(run), channel: channel || null, depot: depot || null,
        };
        const chosen = {key: newKey(), kind, by, note: note || "", at_us: Date.now() * 1000};
        for (const name of asks[kind] || []) chosen[name] = said[name];
        if (at) chosen.at_local = at;
        return hand(who, chosen);
    }

    async function withdraw(clicks, who, by) {
        const context = window.dash_clientside.callback_context;
        if (!context.triggered.length || !context.triggered[0].value) return window.dash_clientside.no_update;
        if (!by) return "Say who you are above, then withdraw.";
        const id = JSON.parse(context.triggered[0].prop_id.replace(/\.n_clicks$/, ""));
        return hand(who, {key: newKey(), kind: id.kind, corrects: id.key, withdrawn: true, by, at_us: Date.now() * 1000});
    }

    // A stop of a refill round: filled up to the full mark.
    async function tick(clicks, id, by) {
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return "Say above who fills.";
        return hand({fleet: id.fleet, name: id.vehicle}, {key: newKey(), kind: "filled", to_pct: 100, by, at_us: Date.now() * 1000});
    }

    const asks = (kind, all, ids) => ids.map((id) => ((all[kind] || []).includes(id.name) ? {} : {display: "none"}));

    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {record, withdraw, tick, asks});
    window.addEventListener("online", () => send(""));
    setInterval(() => kept().length && send(""), 15000);
})();
