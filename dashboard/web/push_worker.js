// Shows alerts that are pushed to this browser, also while no page is open, and opens the page that one is about.
self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const post = (address, said) => fetch(address, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(said)});

// Says that one was shown; whoever is not signed in any more is shown it all the same.
async function sayShown() {
    const mine = await self.registration.pushManager.getSubscription();
    if (mine) await post("/push/shown", {endpoint: mine.endpoint}).catch(() => null);
}

self.addEventListener("push", (event) => {
    let told = {};
    try {
        told = event.data ? event.data.json() : {};
    } catch (error) {
        told = {};  // a browser must show something for each message
    }
    const shown = {body: told.body || "Open tallow to see what it is.", tag: told.tag || "tallow", renotify: true, data: {url: told.url || "/alarms"}};
    event.waitUntil(self.registration.showNotification(told.title || "tallow: an alert", shown).then(sayShown));
});

self.addEventListener("notificationclick", (event) => {
    event.notification.close();
    const to = new URL(event.notification.data.url, self.location.origin);
    if (to.origin !== self.location.origin) return;
    event.waitUntil((async () => {
        const open = await self.clients.matchAll({type: "window"});
        const there = open.find((one) => new URL(one.url).pathname === to.pathname);
        return there ? there.focus() : self.clients.openWindow(to.href);
    })());
});

// A push service may give a browser another address at any time.
self.addEventListener("pushsubscriptionchange", (event) => {
    const old = event.oldSubscription;
    if (!old) return;
    event.waitUntil((async () => {
        const made = event.newSubscription || await self.registration.pushManager.subscribe(old.options);
        await post("/push", {...made.toJSON(), replaces: old.endpoint});
    })());
});
