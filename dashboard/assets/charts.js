// Charts take a large script: it is loaded while the server works out the first page, or while a reader looks at another.
(function () {
    function load() {
        if (window.Plotly) return;
        if (!window._dashPlotlyJSURL) return setTimeout(load, 50);
        // Who wants to draw meanwhile waits for this instead of loading it again; the script puts itself in its place.
        window.Plotly = new Promise((ready, fail) => {
            const script = document.createElement("script");
            script.src = window._dashPlotlyJSURL;
            script.onload = ready;
            script.onerror = () => {
                delete window.Plotly; // whoever wants to draw next tries again
                fail(new Error("the script for charts did not come"));
            };
            document.head.append(script);
        });
        window.Plotly.catch(() => undefined);
    }
    const soon = window.location.pathname.startsWith("/vehicle/") ? 0 : 1500;
    window.addEventListener("load", () => setTimeout(load, soon));
})();
