"use strict";
(function () {
  // Numbers as the report words them: a true minus, thousands with commas, "under 0.01", "cannot say" last.
  function key(cell) {
    var text = cell.textContent.trim().replace(/\u2212/g, "-").replace(/,(?=\d{3})/g, "");
    var found = text.match(/-?\d+(\.\d+)?/);
    if (/^cannot say/.test(text) || text === "" || text === "\u2013") { return [2, 0, text]; }
    return found && /^(under |over |up to |at most )?-?\d/.test(text) ? [0, parseFloat(found[0]), text] : [1, 0, text];
  }
  function compare(a, b) {
    return a[0] - b[0] || a[1] - b[1] || a[2].localeCompare(b[2]);
  }
  document.querySelectorAll("table.sortable").forEach(function (table) {
    var heads = table.querySelectorAll("thead th[data-sort]");
    heads.forEach(function (head) {
      var button = document.createElement("button");
      button.type = "button";
      button.append.apply(button, Array.from(head.childNodes));
      head.append(button);
      button.addEventListener("click", function () {
        var column = Number(head.dataset.sort);
        var down = head.getAttribute("aria-sort") === "ascending";
        heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        table.querySelectorAll("tbody").forEach(function (body) {
          var rows = Array.from(body.querySelectorAll("tr.record"));
          var keys = new Map(rows.map(function (row) { return [row, key(row.cells[Math.min(column, row.cells.length - 1)])]; }));
          rows.sort(function (a, b) {
            var x = keys.get(a), y = keys.get(b);
            if ((x[0] === 2) !== (y[0] === 2)) { return x[0] - y[0]; }
            return down ? compare(y, x) : compare(x, y);
          });
          rows.forEach(function (row) { body.append(row); });
        });
      });
    });
  });
})();
