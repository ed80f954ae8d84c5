// Has alerts pushed to this browser, and says why where that cannot be.
(function () {
    const tr = (text, places) => window.tallowTr(text, places);
    const post = (address, said) => fetch(address, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(said || {})});
    const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
    const same = (one, other) => one && one.byteLength === other.length && new Uint8Array(one).every((b, k) => b === other[k]);

    function cannot() {
        if (!window.isSecureContext) return tr("Browsers take pushed alerts by HTTPS only: open tallow by its https address.");
        if (!("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window))
            return tr("This browser takes no pushed alerts. On some phones it does once the page is on the home screen: put it there, and open it from there.");
        return "";
    }

    async function ask(label, severity, anyHour) {
        if (await Notification.requestPermission() !== "granted")
            return tr("This browser was told to show no notifications of this site: allow them in its settings for the site, then try again.");
        await navigator.serviceWorker.register("/push-worker.js");
        const worker = await navigator.serviceWorker.ready;
        const key = bytes((await (await post("/push/key")).json()).key);
        const before = await worker.pushManager.getSubscription();
        if (before && !same(before.options.applicationServerKey, key)) await before.unsubscribe();
        const made = await worker.pushManager.subscribe({userVisibleOnly: true, applicationServerKey: key});
        const answer = await post("/push", {...made.toJSON(), label, severity, any_hour: anyHour});
        if (!answer.ok) return tr("Not done: {problem}.", {problem: (await answer.json()).problem || tr("the server does not take it now")});
        return tr("Alerts go to this browser now. Send a trial to see that they arrive.");
    }

    async function subscribe(clicks, label, severity, anyHour) {
        if (!clicks) return window.dash_clientside.no_update;
        const why = cannot();
        if (why) return why;
        try {
            return await ask(label, severity, Boolean(anyHour));
        } catch (error) {
            return tr("Not done: the browser or its push service says “{problem}”. It may be blocked in this network.", {problem: error.message});
        }
    }

    // Says which of somebody's browsers this one is.
    async function mark() {
        const rows = document.querySelectorAll("[data-push]");
        if (!rows.length || cannot()) return;
        const worker = await navigator.serviceWorker.getRegistration("/");
        const mine = worker && await worker.pushManager.getSubscription();
        if (!mine) return;
        const hash = new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode(mine.endpoint)));
        const name = Array.from(hash, (b) => b.toString(16).padStart(2, "0")).join("");
        for (const row of rows) row.textContent = row.dataset.push === name ? ` ${tr("(this browser)")}` : "";
    }

    function marked() {
        setTimeout(mark, 0);
        return "";
    }

    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow_push = {subscribe, marked};
})();
