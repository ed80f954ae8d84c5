// What may be done to alarms is shown while some are chosen.
(function () {
    function chosen(numbers) {
        const count = (numbers || []).length;
        return [count ? {} : {display: "none"}, `${count} chosen`];
    }
    function all(checked) {
        if (checked === undefined || checked === null) return window.dash_clientside.no_update;
        const boxes = [...document.querySelectorAll("#alarms-body .alarm input[type=checkbox]")];
        return checked ? boxes.map((box) => box.value) : [];
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {chosen, all});
})();
