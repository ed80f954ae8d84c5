// Which scheme the page shows, and whether the server still answers.
(function () {
    const scheme = () => document.documentElement.dataset.mantineColorScheme || "light";
    async function alive() {
        try {
            const answer = await fetch("/alive", {cache: "no-store"});
            return answer.ok ? "" : "The server has trouble; what you see may be old.";
        } catch (error) {
            return "No connection; what you see may be old.";
        }
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {scheme, alive});
    new MutationObserver(() => window.dash_clientside.set_props("scheme-now", {data: scheme()}))
        .observe(document.documentElement, {attributeFilter: ["data-mantine-color-scheme"]});
})();
