// Records of work and remarks on them: kept on the phone until the server has them.
(function () {
    const tr = (text, places) => window.tallowTr(text, places);
    const KEPT = "tallow-work";
    const kept = () => JSON.parse(localStorage.getItem(KEPT) || "[]");
    function keep(records) {
        localStorage.setItem(KEPT, JSON.stringify(records));
        window.dispatchEvent(new Event("tallow-kept"));
    }
    const discard = (key) => keep(kept().filter((other) => other.record.key !== key));
    const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("");

    const JSON_TYPE = "application/json";

    // Where a remark goes: words, or a picture that is kept as text.
    function remarkOf(entry) {
        const {key, by} = entry.record, {on, text, photo} = entry.remark;
        const address = `/remark/${entry.fleet}/${entry.name}/${on}/${key}`;
        if (!photo) return [address, JSON_TYPE, JSON.stringify({text, by})];
        const [head, bytes] = photo.split(",");
        return [`${address}?by=${encodeURIComponent(by)}`, head.slice(5).split(";")[0], Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0))];
    }

    const others = new Set();  // whose records wait on this device until they sign in themselves

    // What the server says of one record: kept (""), refused (a reason), or nothing yet, and then it stays on the device.
    async function sendOne(entry) {
        const [address, type, body] = entry.remark ? remarkOf(entry) : [`/work/${entry.fleet}/${entry.name}`, JSON_TYPE, JSON.stringify(entry.record)];
        const answer = await fetch(address, {method: "POST", headers: {"Content-Type": type}, body});
        const json = !answer.redirected && (answer.headers.get("Content-Type") || "").startsWith("application/json");
        if (answer.ok && json) return "";
        if (answer.status === 409 && json) others.add(entry.record.by);
        if ([400, 413, 415].includes(answer.status) && json) return (await answer.json()).problem || "refused";
        return null;
    }

    // Sends what is kept, oldest first; gives what is to be told of the record with this key.
    async function send(key) {
        let told = "", connected = true, refused = false;
        others.clear();
        for (const entry of kept().filter((one) => !one.problem)) {
            let problem = null;
            try {
                problem = await sendOne(entry);
            } catch (error) {
                connected = false;
                break;
            }
            if (problem === null) continue;
            refused = refused || problem !== "";
            if (problem === "" || entry.record.key === key) discard(entry.record.key);
            else keep(kept().map((one) => (one.record.key === entry.record.key ? {...one, problem} : one)));
            if (problem && entry.record.key === key) told = problem;
        }
        const waiting = kept().filter((one) => !one.problem).length;  // what was refused is told by `refused.js`
        if (!waiting) settle(refused ? "" : recorded());
        if (told) return told;
        const mine = key !== "" && !kept().some((one) => one.record.key === key);
        if (!connected) return waits(tr("No connection: {number} kept on this device, sent as soon as there is one.", {number: waiting}));
        if (waiting && mine) {
            const names = [...others].join(", ");
            return others.size ? taken(tr("Recorded. {number} more kept here until {names} signs in.", {number: waiting, names})) : recorded();
        }
        if (others.size) return waits(tr("{number} kept on this device until {names} signs in here.", {number: waiting, names: [...others].join(", ")}));
        if (waiting) return waits(tr("{number} kept on this device: the server does not take it now.", {number: waiting}));
        return recorded();
    }

    let latest = "";

    // Whether what was told says that something is recorded, or will be.
    const good = new Set();
    const taken = (told) => { good.add(told); return told; };
    const recorded = () => taken(tr("Recorded."));
    const again = () => taken(tr("Recorded already."));
    const isTaken = (told) => good.has(told);

    // What was told of records that waited then: once none does any more it is no longer so. What was refused stands at the top.
    const outdated = new Set();
    const waits = (told) => { outdated.add(told); return taken(told); };
    function settle(now) {
        for (const one of document.querySelectorAll("[role=status][id]")) {
            if (outdated.has(one.textContent)) window.dash_clientside.set_props(one.id.startsWith("{") ? JSON.parse(one.id) : one.id, {children: now});
        }
    }

    async function hand(who, record, remark) {
        const said = JSON.stringify([who, {...record, key: "", at_us: 0}, remark]);
        if (said === latest) return again();
        latest = said;
        setTimeout(() => { if (latest === said) latest = ""; }, 5000);
        const entry = {fleet: who.fleet, name: who.name, record, remark};
        try {
            keep([...kept(), entry]);
        } catch (full) {  // there is no room on the device
            const problem = await sendOne(entry).catch(() => null);
            return problem === "" ? recorded() : problem || tr("This device has no room to keep it until there is a connection: nothing is recorded.");
        }
        return send(record.key);
    }

    const litresOf = (who, value) => (number(value) === null ? null : Math.round(number(value) * who.litres_in_one * 1000) / 1000);
    const number = (value) => (value === "" || value === null || value === undefined ? null : Number(value));

    let asked = "";  // what lies above the full mark is recorded once somebody has said it twice
    let warned = "";  // and so is a grease that is not proven to mix

    async function record(clicks, who, asks, greases, kind, lines, litres, to, interval, run, channel, depot, grease, points, hours, km, isNew, by, at, note, found, cause, about) {
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return tr("Say who did it.");
        const said = {
            lines: (lines || []).map(Number), litres: litresOf(who, litres), to_pct: number(to), interval_min: number(interval),
            run_s: number(run), channel: channel || null, depot: depot || null, grease: grease || null,
            points: (points || []).map(Number), engine_h: number(hours), odometer_km: number(km), new_meter: Boolean(isNew),
        };
        const chosen = {key: newKey(), kind, by, note: note || "", at_us: Date.now() * 1000};
        for (const name of asks[kind] || []) chosen[name] = said[name];
        if (at) chosen.at_local = at;
        if (found && about) Object.assign(chosen, {found, about: JSON.parse(about), cause: found === "other_cause" ? cause || null : null});
        if (kind === "filled" && (chosen.to_pct > 100 || chosen.litres > who.reservoir_l)) {
            const said = JSON.stringify([who.name, chosen.to_pct, chosen.litres]);
            if (asked !== said) {
                asked = said;
                return tr("That is above the full mark, where grease comes out at the vent or passes the follower plate. If it is so, press Record it again.");
            }
            chosen.above_full = true;
        }
        const mixes = kind === "filled" ? greases[chosen.grease] : "";
        if (mixes && warned !== mixes) {
            warned = mixes;
            return `${mixes} ${tr("If it was filled so, press Record it again.")}`;
        }
        asked = warned = "";
        return window.tallowRefused.changed(who, await hand(who, chosen));
    }

    async function withdraw(clicks, who, by) {
        const context = window.dash_clientside.callback_context;
        if (!context.triggered.length || !context.triggered[0].value) return window.dash_clientside.no_update;
        if (!by) return tr("Say who you are above, then withdraw.");
        const id = JSON.parse(context.triggered[0].prop_id.replace(/\.n_clicks$/, ""));
        return hand(who, {key: newKey(), kind: id.kind, corrects: id.key, withdrawn: true, by, at_us: Date.now() * 1000});
    }

    // A stop of a refill round: filled up to the full mark, or by so many litres; and the way back.
    async function tick(clicks, id, by, amount, litresInOne) {
        const no = window.dash_clientside.no_update;
        if (!clicks) return [no, no, no];
        if (!by) return [tr("Say above who fills it."), no, no];
        const key = newKey();
        const much = number(amount) === null ? {to_pct: 100} : {litres: Math.round(number(amount) * litresInOne * 1000) / 1000};
        const told = await hand({fleet: id.fleet, name: id.vehicle}, {key, kind: "filled", ...much, by, at_us: Date.now() * 1000});
        return told === again() ? [told, no, no] : [told, isTaken(told) ? {} : {display: "none"}, key];
    }

    async function untick(clicks, id, by, key) {
        const no = window.dash_clientside.no_update;
        if (!clicks || !key) return [no, no];
        const told = await hand({fleet: id.fleet, name: id.vehicle}, {key: newKey(), kind: "filled", corrects: key, withdrawn: true, by, at_us: Date.now() * 1000});
        return told === recorded() ? [tr("Taken back."), {display: "none"}] : [told, no];
    }

    // Points greased by hand, of the list or of a stop: those that are chosen; and the way back.
    async function tickPoints(clicks, id, by, chosen) {
        const no = window.dash_clientside.no_update;
        if (!clicks) return [no, no, no];
        if (!by) return [tr("Say above who greases."), no, no];
        const points = (chosen || []).map(Number);
        if (!points.length) return [tr("Choose at least one point."), no, no];
        const key = newKey();
        const told = await hand({fleet: id.fleet, name: id.vehicle}, {key, kind: "points_greased", points, by, at_us: Date.now() * 1000});
        return told === again() ? [told, no, no] : [told, isTaken(told) ? {} : {display: "none"}, key];
    }

    async function untickPoints(clicks, id, by, key) {
        const no = window.dash_clientside.no_update;
        if (!clicks || !key) return [no, no];
        const told = await hand({fleet: id.fleet, name: id.vehicle}, {key: newKey(), kind: "points_greased", corrects: key, withdrawn: true, by, at_us: Date.now() * 1000});
        return isTaken(told) ? [told === recorded() ? tr("Taken back.") : told, {display: "none"}] : [told, no];
    }

    // What a vehicle's meters show.
    async function meter(clicks, vehicle, hours, km, isNew, by) {
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return tr("Say above who reads it.");
        if (!vehicle) return tr("Choose the vehicle.");
        const [fleet, name] = vehicle.split("/");
        const read = {engine_h: number(hours), odometer_km: number(km), new_meter: Boolean(isNew)};
        if (read.engine_h === null && read.odometer_km === null) return tr("Write what the hour meter or the odometer shows.");
        return hand({fleet, name}, {key: newKey(), kind: "meter_read", ...read, by, at_us: Date.now() * 1000});
    }

    function print(clicks) {
        if (clicks) window.print();
        return window.dash_clientside.no_update;
    }

    const asks = (kind, all, ids) => ids.map((id) => ((all[kind] || []).includes(id.name) ? {} : {display: "none"}));

    // One that was refused, sent once more.
    function resend(key) {
        keep(kept().map(({problem, ...one}) => (problem && one.record.key !== key ? {...one, problem} : one)));
        return send("");
    }

    window.tallowKept = {again: resend, discard, hand, isTaken, kept, newKey};
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {record, withdraw, tick, untick, tickPoints, untickPoints, meter, print, asks});
    window.addEventListener("online", () => send(""));
    setInterval(() => kept().some((one) => !one.problem) && send(""), 15000);
})();
