// Over the control charts: the session nearest to the pointer, or chosen by arrow keys, is told above.

document.querySelectorAll("svg.plot").forEach(function (svg) {
  var dots = svg.querySelector("path.dots[data-told]");
  if (!dots) { return; }
  var told = dots.dataset.told.split("|");
  var places = dots.getAttribute("d").split("M").slice(1).map(function (one) { return one.split("h")[0].split(" ").map(Number); });
  var readout = document.createElement("p");
  readout.className = "readout";
  (svg.closest(".scroll") || svg).before(readout);
  var over = document.createElementNS("http://www.w3.org/2000/svg", "circle");
  over.setAttribute("class", "over");
  over.setAttribute("r", 9);
  over.setAttribute("visibility", "hidden");
  svg.appendChild(over);
  var at = places.length - 1;

  function tell(next, marked) {
    at = Math.max(0, Math.min(places.length - 1, next));
    over.setAttribute("cx", places[at][0]);
    over.setAttribute("cy", places[at][1]);
    over.setAttribute("visibility", marked ? "visible" : "hidden");
    readout.textContent = told[at];
  }

  svg.addEventListener("pointermove", function (event) {
    var seen = svg.getBoundingClientRect(), size = svg.viewBox.baseVal;
    var x = (event.clientX - seen.left) / seen.width * size.width, best = 0;
    places.forEach(function (place, i) { if (Math.abs(place[0] - x) < Math.abs(places[best][0] - x)) { best = i; } });
    tell(best, true);
  });
  svg.addEventListener("pointerleave", function () { tell(places.length - 1, false); });
  svg.setAttribute("tabindex", "0");
  svg.addEventListener("keydown", function (event) {
    var step = { ArrowLeft: -1, ArrowRight: 1, Home: -places.length, End: places.length }[event.key];
    if (!step) { return; }
    event.preventDefault();
    tell(at + step, true);
  });
  svg.addEventListener("blur", function () { tell(places.length - 1, false); });
  tell(at, false);
});
