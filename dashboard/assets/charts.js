// Charts take a large script: it is loaded while the server works out the first page, or while a reader looks at another.
(function () {
    function load() {
        if (window.Plotly) return;
        if (!window._dashPlotlyJSURL) return setTimeout(load, 50);
        // Who wants to draw meanwhile waits for this instead of loading it again; the script puts itself in its place.
        window.Plotly = new Promise((ready) => {
            const script = document.createElement("script");
            script.src = window._dashPlotlyJSURL;
            script.onload = script.onerror = ready;
            document.head.append(script);
        });
    }
    const soon = window.location.pathname.startsWith("/vehicle/") ? 0 : 1500;
    window.addEventListener("load", () => setTimeout(load, soon));
})();
