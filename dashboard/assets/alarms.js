// What may be done to alarms is shown while some are chosen.
(function () {
    function chosen(numbers) {
        const count = (numbers || []).length;
        return [count ? {} : {display: "none"}, window.tallowTr("{number} chosen", {number: count})];
    }
    function all(checked) {
        if (checked === undefined || checked === null) return window.dash_clientside.no_update;
        const boxes = [...document.querySelectorAll("#alarms-body .alarm input[type=checkbox]")];
        return checked ? boxes.map((box) => box.value) : [];
    }
    // By the keyboard the way from a row to the bar below all rows would be long.
    document.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" || !event.target.matches("#alarms-body input[type=checkbox]")) return;
        event.preventDefault();
        if (!event.target.checked) event.target.click();
        setTimeout(() => document.querySelector("#alarms-actions input, #alarms-actions button").focus(), 150);
    });
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {chosen, all});
})();
