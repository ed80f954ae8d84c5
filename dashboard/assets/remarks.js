// Remarks and photos on records of work: made smaller here, where the way to the server is narrow, and made anew there. Until the server
// has them they are kept as records are (`work.js`).
(function () {
    const tr = (text, places) => window.tallowTr(text, places);
    const LONGEST_SIDE = 1600;

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

    const asText = (file) => new Promise((ready, failed) => {
        const reader = new FileReader();
        Object.assign(reader, {onload: () => ready(reader.result), onerror: () => failed(reader.error)});
        reader.readAsDataURL(file);
    });

    async function remark(clicks, who, on, text, by) {
        const {hand, isTaken, newKey} = window.tallowKept;
        const field = document.getElementById("remark-photo"), file = field && field.files[0];
        if (!clicks) return window.dash_clientside.no_update;
        if (!by) return tr("Say who you are above, under Who did it.");
        if (!on) return tr("Record some work first.");
        if (!(text || "").trim() && !file) return tr("Say something, or choose a photo.");
        let told = "";
        if (file) {
            told = await hand(who, {key: newKey(), by, kind: "photo"}, {on, photo: await asText(await smaller(file))});
            if (!isTaken(told)) return tr("Not added: {problem}.", {problem: told});
            field.value = "";
        }
        if ((text || "").trim()) {
            told = await hand(who, {key: newKey(), by, kind: "remark"}, {on, text});
            if (!isTaken(told)) return tr("Not added: {problem}.", {problem: told});
            window.tallowRefused.changed(who, told);
            window.dash_clientside.set_props("remark-text", {value: ""});
        }
        return told === tr("Recorded.") ? tr("Added.") : told;
    }

    // Files are chosen in a field of the browser's own: the components have none that leaves the file here.
    new MutationObserver(() => {
        const place = document.querySelector("#remark-place:empty");
        if (!place) return;
        const field = document.createElement("input");
        Object.assign(field, {type: "file", id: "remark-photo", accept: "image/jpeg,image/png,image/webp", className: "vehicle-photo-field"});
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
