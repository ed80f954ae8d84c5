// Remarks and photos on records of work: made smaller here, where the way to the server is narrow, and made anew there.
(function () {
    const LONGEST_SIDE = 1600;
    const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("");

    async function smaller(file) {
        try {
            const picture = await createImageBitmap(file);
            const scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
            const canvas = document.createElement("canvas");
            [canvas.width, canvas.height] = [Math.round(picture.width * scale), Math.round(picture.height * scale)];
            canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
            const made = await new Promise((ready) => canvas.toBlob(ready, "image/jpeg", 0.85));
            return made && made.size < file.size ? made : file;
        } catch (error) {
            return file;  // the server says what is wrong with it
        }
    }

    async function send(address, body, type) {
        const answer = await fetch(address, {method: "POST", headers: {"Content-Type": type}, body});
        const json = !answer.redirected && (answer.headers.get("Content-Type") || "").startsWith("application/json");
        if (answer.ok && json) return "";
        return json ? (await answer.json()).problem || "refused" : answer.status === 413 ? "this photo is too large" : "the server does not take it now";
    }

    async function remark(clicks, who, on, text, by) {
        const field = document.getElementById("remark-photo"), file = field && field.files[0];
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return "Say who you are above, under Who did it.";
        if (!on) return "Record some work first.";
        if (!(text || "").trim() && !file) return "Say something, or choose a photo.";
        const address = () => `/remark/${who.fleet}/${who.name}/${on}/${newKey()}`;
        try {
            if (file) {
                const body = await smaller(file);
                const problem = await send(`${address()}?by=${encodeURIComponent(by)}`, body, body.type || "application/octet-stream");
                if (problem) return `Not added: ${problem}.`;
                field.value = "";
            }
            if ((text || "").trim()) {
                const problem = await send(address(), JSON.stringify({text, by}), "application/json");
                if (problem) return `Not added: ${problem}.`;
                window.dash_clientside.set_props("remark-text", {value: ""});
            }
            return "Added.";
        } catch (error) {
            return "No connection: nothing was added, and what you typed stays here.";
        }
    }

    // Files are chosen in a field of the browser's own: the components have none that leaves the file here.
    new MutationObserver(() => {
        const place = document.querySelector("#remark-place:empty");
        if (!place) return;
        const field = document.createElement("input");
        Object.assign(field, {type: "file", id: "remark-photo", accept: "image/jpeg,image/png,image/webp", className: "photo-field"});
        place.append(field);
    }).observe(document.documentElement, {childList: true, subtree: true});

    document.addEventListener("click", (event) => {
        const chosen = event.target.closest && event.target.closest("[data-remark]");
        if (!chosen) return;
        window.dash_clientside.set_props("remark-on", {value: chosen.dataset.remark});
        document.getElementById("remark-form").open = true;
        document.getElementById("remark-text").focus();
    });
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {remark});
})();
