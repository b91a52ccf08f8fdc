// The table of sessions: sorted by its headings, filtered, and shown a page at a time.

(function () {
  var table = document.getElementById("session-table");
  var body = table.tBodies[0];
  var rows = Array.from(body.rows);
  var heads = Array.from(table.tHead.rows[0].cells);

  // Rows beyond the page are not laid out; they stay in the document, and a copy of the table takes them along.
  var ROWS_A_PAGE = 100;
  var pager = document.getElementById("pager"), pageNow = 0;

  function turnTo(page) {
    var fitting = rows.filter(function (row) { return !row.hidden; });
    var pages = Math.max(1, Math.ceil(fitting.length / ROWS_A_PAGE));
    pageNow = Math.max(0, Math.min(pages - 1, page));
    fitting.forEach(function (row, at) { row.classList.toggle("elsewhere", Math.floor(at / ROWS_A_PAGE) !== pageNow); });
    pager.hidden = pages < 2;
    document.getElementById("pager-place").textContent = fill(w.script.page_of, pageNow + 1, pages);
  }

  document.getElementById("pager-back").addEventListener("click", function () { turnTo(pageNow - 1); });
  document.getElementById("pager-on").addEventListener("click", function () { turnTo(pageNow + 1); });

  function value(row, column) {
    var cell = row.cells[column];
    if (!("v" in cell.dataset)) { return cell.textContent; }
    return cell.dataset.v === "" ? null : +cell.dataset.v;
  }

  // What is missing stays at the end, whichever way the column is sorted.
  function sort(column, sign) {
    var keyed = rows.map(function (row) { return { row: row, key: value(row, column) }; });
    keyed.sort(function (a, b) {
      if (a.key === null || b.key === null) { return (a.key === null) - (b.key === null); }
      return sign * (typeof a.key === "number" ? a.key - b.key : a.key.localeCompare(b.key));
    });
    rows = keyed.map(function (one) { return one.row; });
    var all = document.createDocumentFragment();
    rows.forEach(function (row) { all.appendChild(row); });
    body.appendChild(all);
    turnTo(0);
    heads.forEach(function (head, i) {
      if (i === column) { head.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending"); } else { head.removeAttribute("aria-sort"); }
    });
  }

  heads.forEach(function (head, column) {
    var button = document.createElement("button");
    button.type = "button";
    while (head.firstChild) { button.appendChild(head.firstChild); }
    button.addEventListener("click", function () {
      sort(column, head.getAttribute("aria-sort") === "ascending" ? -1 : 1);
    });
    head.appendChild(button);
  });

  var text = document.getElementById("filter-text");
  var instrument = document.getElementById("filter-instrument");
  var out = document.getElementById("filter-out");
  var count = document.getElementById("filter-count");
  var words = new Map(rows.map(function (row) { return [row, row.textContent.toLowerCase()]; }));

  function filter() {
    var wanted = text.value.toLowerCase().split(/\s+/).filter(Boolean);
    var shown = 0;
    rows.forEach(function (row) {
      var fits = wanted.every(function (word) { return words.get(row).includes(word); }) &&
        (!instrument.value || row.cells[1].textContent === instrument.value) &&
        (!out.checked || row.querySelector("td.out") !== null);
      row.hidden = !fits;
      shown += fits;
    });
    turnTo(0);
    count.textContent = shown + " of " + rows.length + " sessions";
  }

  document.getElementById("filter").hidden = false;
  [text, instrument, out].forEach(function (control) { control.addEventListener("input", filter); });
  filter();
})();
