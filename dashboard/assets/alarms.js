// What may be done to alarms is shown while some are chosen.
(function () {
    function chosen(numbers) {
        const count = (numbers || []).length;
        return [count ? {} : {display: "none"}, `${count} chosen`];
    }
    window.dash_clientside = window.dash_clientside || {};
    window.dash_clientside.tallow = Object.assign(window.dash_clientside.tallow || {}, {chosen});
})();
