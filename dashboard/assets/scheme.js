// Which scheme the page shows, and whether the server still answers.
(function () {
    const scheme = () => document.documentElement.dataset.mantineColorScheme || "light";
    const STOPPED_S = 1800; // a fleet of any size says something in half an hour
    const UNWATCHED_S = 2 * 3600; // everything is analysed once an hour
    const ago = (seconds) => (seconds < 5400 ? `${Math.round(seconds / 60)} min` : `${Math.round(seconds / 3600)} h`);
    async function alive() {
        try {
            const answer = await fetch("/alive", {cache: "no-store"});
            const told = answer.ok ? await answer.json() : {};
            if (!told.alive) return "The server has trouble; what you see may be old.";
            if (!told.signed_in) return "You are signed out; load the page again.";
            if (told.recorded_s > STOPPED_S) return `Nothing was recorded for ${ago(told.recorded_s)}.`;
            if (told.looked_s > UNWATCHED_S) return `Nothing was analysed for ${ago(told.looked_s)}.`;
            return "";
        } catch (error) {
            return "No connection; what you see may be old.";
        }
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {scheme: (_, now) => (scheme() === now ? window.dash_clientside.no_update : scheme()), alive});
    new MutationObserver(() => window.dash_clientside.set_props("scheme-now", {data: scheme()}))
        .observe(document.documentElement, {attributeFilter: ["data-mantine-color-scheme"]});
})();
