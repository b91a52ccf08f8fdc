// Taking things along: the record as a file, tables into a spreadsheet, each plot as a drawing of its own.

var w = { script: JSON.parse(document.getElementById("words").textContent) };

function fill(text) {
  var values = Array.prototype.slice.call(arguments, 1);
  return text.replace(/\{\}/g, function () { return values.shift(); });
}

function button(text, action) {
  var made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", action);
  return made;
}

function download(name, type, text) {
  var link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: type }));
  link.download = name;
  link.click();
  setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
}

// A cell as a spreadsheet takes it: a plain minus, no degree sign after a number, nothing where nothing was measured. What
// a spreadsheet would run as a formula is marked as text.
function cellText(cell) {
  var text = cell.textContent.replace(/\s+/g, " ").trim();
  var bare = text.replace(/^−/, "-").replace(/°$/, "");
  if (/^[-+]?\d[\d.]*(e-?\d+)?$/.test(bare)) { return bare; }
  if (text === "–") { return ""; }
  return /^[=+@\-]/.test(text) ? "'" + text : text;
}

function tableText(table) {
  return Array.from(table.rows).filter(function (row) { return !row.hidden; }).map(function (row) {
    return Array.from(row.cells).map(cellText).join("\t");
  }).join("\n") + "\n";
}

function copyText(text, done) {
  function byEvent() {
    function put(event) {
      event.clipboardData.setData("text/plain", text);
      event.preventDefault();
      done();
    }
    document.addEventListener("copy", put, { once: true });
    document.execCommand("copy");
    document.removeEventListener("copy", put);
  }
  if (navigator.clipboard) { navigator.clipboard.writeText(text).then(done, byEvent); } else { byEvent(); }
}

// The drawing as it is seen, with its colours written out: elsewhere nobody knows the page's.
function drawingText(svg) {
  var copy = svg.cloneNode(true);
  var seen = svg.querySelectorAll("*"), written = copy.querySelectorAll("*");
  var properties = ["fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "opacity", "fill-opacity", "font-size", "display"];
  seen.forEach(function (element, at) {
    var style = getComputedStyle(element);
    properties.forEach(function (name) { written[at].setAttribute(name, style.getPropertyValue(name)); });
    written[at].removeAttribute("class");
  });
  seen.forEach(function (element, at) { if (element.closest(".laid")) { written[at].remove(); } });
  var box = svg.viewBox.baseVal;
  var sheet = document.createElementNS(svg.namespaceURI, "rect");
  [["width", box.width], ["height", box.height], ["fill", getComputedStyle(document.body).getPropertyValue("--sheet").trim()]]
    .forEach(function (pair) { sheet.setAttribute(pair[0], pair[1]); });
  copy.insertBefore(sheet, copy.firstChild);
  copy.removeAttribute("class");
  copy.setAttribute("width", box.width);
  copy.setAttribute("height", box.height);
  copy.setAttribute("font-family", "sans-serif");
    return new XMLSerializer().serializeToString(copy);
}

document.querySelectorAll("main table").forEach(function (table) {
  if (table.closest("[data-no-copy]")) { return; }
  var take = button(w.script.copy_table, function () {
    copyText(tableText(table), function () {
      take.textContent = w.script.copied;
      setTimeout(function () { take.textContent = w.script.copy_table; }, 2000);
    });
  });
  take.className = "quiet";
  var bar = document.createElement("p");
  bar.className = "take";
  bar.appendChild(take);
  var around = table.closest(".scroll") || table;
  around.after(bar);
});

document.querySelectorAll("figure.chart").forEach(function (figure) {
  var svg = figure.querySelector("svg.plot");
  if (!svg) { return; }
  var name = (svg.getAttribute("aria-label") || "plot").split(":")[0];
  var take = button(w.script.save_svg, function () {
    download(name.toLowerCase().replace(/[^a-z0-9]+/g, "-") + ".svg", "image/svg+xml", drawingText(svg));
  });
  take.className = "quiet";
  take.setAttribute("aria-label", w.script.save_svg + ": " + name);
  var bar = document.createElement("p");
  bar.className = "take";
  bar.appendChild(take);
  figure.appendChild(bar);
});

(function () {
  var save = document.getElementById("save"), data = document.getElementById("record");
  if (!save || !data) { return; }
  save.hidden = false;
  save.addEventListener("click", function () {
    download(save.dataset.name, "application/json", JSON.stringify(JSON.parse(data.textContent), null, 2) + "\n");
  });
})();

// What scrolls must be reached by keyboard too.
function reachable() {
  document.querySelectorAll(".scroll").forEach(function (box) {
    if (box.scrollWidth > box.clientWidth + 1 || box.scrollHeight > box.clientHeight + 1) { box.tabIndex = 0; } else { box.removeAttribute("tabindex"); }
  });
}
reachable();
window.addEventListener("resize", reachable);

// On paper nothing unfolds: what the verdict holds back is printed with it.
(function () {
  var folded = [];
  window.addEventListener("beforeprint", function () {
    folded = Array.from(document.querySelectorAll(".verdict details:not([open])"));
    folded.forEach(function (one) { one.open = true; });
  });
  window.addEventListener("afterprint", function () { folded.forEach(function (one) { one.open = false; }); });
})();
