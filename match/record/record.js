"use strict";
(function () {
  var form = document.getElementById("filter");
  if (!form) return;
  var q = document.getElementById("filter-q");
  var code = document.getElementById("filter-code");
  var look = document.getElementById("filter-look");
  var says = document.getElementById("filter-says");
  var boxes = Array.prototype.slice.call(form.querySelectorAll('input[name="verdict"]'));
  var sheets = Array.prototype.map.call(document.querySelectorAll("[data-sheet]"), function (el) {
    return {
      el: el, code: el.dataset.code, q: el.dataset.q,
      photos: Array.prototype.map.call(el.querySelectorAll("[data-v]"), function (p) {
        return { el: p, v: p.dataset.v, q: p.dataset.q, look: "look" in p.dataset };
      })
    };
  });
  var rows = Array.prototype.map.call(document.querySelectorAll("tr[data-v]"), function (el) {
    return { el: el, v: el.dataset.v.split(" "), code: el.dataset.code, q: el.dataset.q, look: "look" in el.dataset };
  });

  var chunks = Array.prototype.map.call(document.querySelectorAll("[data-chunk]"), function (el) {
    return { el: el, rows: Array.prototype.slice.call(el.querySelectorAll("tr[data-v]")) };
  });

  function show(el, on) { if (el.hidden === on) el.hidden = !on; }

  // Leaving out what is within budget leaves nothing out that somebody should look at.
  function plural(n, thing) { return n + " " + thing + (n === 1 ? "" : "s"); }

  function apply() {
    var words = q.value.toLowerCase().split(/\s+/).filter(Boolean);
    var wanted = code ? code.value : "";
    var on = {};
    boxes.forEach(function (b) { on[b.value] = b.checked; });
    var all = boxes.every(function (b) { return b.checked; });
    on.none = all;
    function found(text) { return words.every(function (w) { return text.indexOf(w) >= 0; }); }
    var points = 0, photos = 0, of = 0;
    rows.forEach(function (r) {
      var yes = (!look.checked || r.look) && (!wanted || r.code === wanted) && r.v.some(function (v) { return on[v] || r.look && v === "within"; }) && found(r.q);
      if (yes) points++;
      show(r.el, yes);
    });
    chunks.forEach(function (c) {
      show(c.el, c.rows.some(function (r) { return !r.hidden; }));
    });
    sheets.forEach(function (s) {
      var any = !s.photos.length && on.none && (!wanted || s.code === wanted) && found(s.q);
      s.photos.forEach(function (p) {
        var yes = (!look.checked || p.look) && (!wanted || s.code === wanted) && (on[p.v] || p.look && p.v === "within") && found(s.q + " " + p.q);
        of++;
        if (yes) { any = true; photos++; }
        show(p.el, yes);
      });
      show(s.el, any);
    });
    var parts = [];
    if (rows.length) parts.push(points + " of " + plural(rows.length, "row"));
    if (sheets.length) parts.push(photos + " of " + plural(of, "photo"));
    says.textContent = "Shown: " + parts.join(", ") + ". Printing prints what is shown.";
  }

  var timer = 0;
  function soon() { clearTimeout(timer); timer = setTimeout(apply, 120); }
  q.addEventListener("input", soon);
  form.addEventListener("change", apply);
  form.addEventListener("submit", function (e) { e.preventDefault(); apply(); });
  function all() {
    q.value = "";
    if (code) code.value = "";
    look.checked = false;
    boxes.forEach(function (b) { b.checked = true; });
    apply();
  }
  document.getElementById("filter-all").addEventListener("click", all);

  // A link to something that the filter hides shows it again.
  function reveal() {
    var el = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (el && el.closest("[hidden]")) { all(); el.scrollIntoView(); }
  }
  window.addEventListener("hashchange", reveal);
  form.hidden = false;
  if (q.value || look.checked || (code && code.value) || boxes.some(function (b) { return !b.checked; })) apply();
})();
