(function () {
  "use strict";
  var D = JSON.parse(document.getElementById("job").textContent);
  var $ = function (id) { return document.getElementById(id); };
  var by = {}; // places of points by id
  D.points.forEach(function (p, i) { by[p.id] = i; });
  var keyOf = function (photo, point) { return photo || "\u0000" + point; };
  var items = {}; // by key
  D.items.forEach(function (it, i) { it.at = i; it.key = keyOf(it.photo, it.point >= 0 ? D.points[it.point].id : ""); items[it.key] = it; });
  var made = {}; // key: row
  var kept = D.kept.slice(); // rows about what is not here
  var now = 0, zoom = 1, turned = 0, dx = 0, dy = 0, unsaved = false;
  var store = "phototie-decisions-" + D.id;
  var col = {};
  D.header.forEach(function (h, i) { col[h] = i; });

  function el(name, text, cls) { var e = document.createElement(name); if (text !== undefined) { e.textContent = text; } if (cls) { e.className = cls; } return e; }
  function say(text) { $("says").textContent = text; }
  function percent(p) { return p >= 0.9995 ? "over 99.9 %" : p < 0.0005 ? "under 0.1 %" : (100 * p).toFixed(p > 0.99 || p < 0.01 ? 1 : 0) + " %"; }
  function length(v) { return (v >= 10000 ? (v / 1000).toFixed(1) + " thousand " : v.toFixed(v < 100 ? 2 : 0) + " ") + D.unit; }
  function base(s) { return s.slice(s.lastIndexOf("/") + 1); }
  function words(row) {
    return { "shows": "shows " + row[col.point], "no-point": "shows no point", "take-again": "to be taken again", "leave": "left as it is" }[row[col.decision]] || row[col.decision];
  }

  // --- the rows ---
  function row(it, decision, point, why) {
    var p = point >= 0 ? D.points[point] : null, out = D.header.map(function () { return ""; });
    out[col.photo] = it.photo; out[col.decision] = decision; out[col.point] = p ? p.id : "";
    out[col.by] = $("by").value.trim(); out[col.when] = new Date().toISOString().replace(/\.\d+/, ""); out[col.why] = why.trim();
    out[col.covers] = it.covers; out[col.sha256] = it.sha256; out[col.basis] = it.basis;
    if (p) { out[col.e] = p.e.toFixed(4); out[col.n] = p.n.toFixed(4); }
    var pr = it.proposed;
    if (pr) { out[col.probability] = pr.p ? pr.p.toFixed(4) : ""; out[col.runner_up] = pr.runner; out[col.runner_up_probability] = pr.runnerP ? pr.runnerP.toFixed(4) : ""; }
    return out;
  }
  function decide(it, decision, point, why) {
    if (it.refused) { say(it.refused); return false; }
    if (!$("by").value.trim()) { say("Write first who decides."); $("by").focus(); return false; }
    if (!it.photo) {
      if (decision !== "take-again" && decision !== "leave") { say("A point without a photo can be left as it is, or its photo be taken."); return false; }
      point = it.point;
    } else if (decision !== "shows") { point = -1; }
    made[it.key] = row(it, decision, point, why);
    changed();
    return true;
  }
  function act(decision, point) {
    var it = D.items[now];
    if (!it || !decide(it, decision, point, $("reason").value)) { return; }
    $("reason").value = "";
    say(base(it.label) + ": " + words(made[it.key]) + ".");
    step(1, true);
  }
  function changed() {
    unsaved = true;
    try { localStorage.setItem(store, JSON.stringify({ by: $("by").value, made: made })); } catch (e) { /* the browser keeps nothing for a page */ }
    count(); list();
  }
  function count() {
    var n = D.items.filter(function (it) { return made[it.key]; }).length;
    $("count").textContent = n + " of " + D.items.length + " decided";
  }

  // --- the file ---
  function field(s) { return /[",\r\n]|^\s|\s$/.test(s) ? '"' + s.replace(/"/g, '""') + '"' : s; }
  function text() {
    var rows = [D.header].concat(kept);
    D.items.forEach(function (it) { if (made[it.key]) { rows.push(made[it.key]); } });
    return rows.map(function (r) { return r.map(field).join(","); }).join("\n") + "\n";
  }
  function parse(s) {
    var rows = [], r = [], f = "", quoted = false, i = 0;
    s = s.replace(/^\ufeff/, "");
    for (; i < s.length; i++) {
      var c = s[i];
      if (quoted) {
        if (c !== '"') { f += c; } else if (s[i + 1] === '"') { f += c; i++; } else { quoted = false; }
      } else if (c === '"' && f === "") { quoted = true; } else if (c === ",") { r.push(f); f = ""; } else if (c === "\n" || c === "\r") {
        if (c === "\r" && s[i + 1] === "\n") { i++; }
        r.push(f); rows.push(r); r = []; f = "";
      } else { f += c; }
    }
    if (f !== "" || r.length) { r.push(f); rows.push(r); }
    return rows.filter(function (x) { return x.length > 1; });
  }
  function save() {
    var a = el("a");
    a.href = URL.createObjectURL(new Blob([text()], { type: "text/csv" }));
    a.download = "decisions.csv";
    document.body.appendChild(a); a.click(); a.remove();
    setTimeout(function () { URL.revokeObjectURL(a.href); }, 10000);
    unsaved = false;
    say("Saved as decisions.csv among the downloads. Put it into the job’s folder; phototie.toml names it under [links]: decisions = \"decisions.csv\".");
  }
  function restore(s) {
    var rows = parse(s), head = rows.shift() || [], at = D.header.map(function (h) { return head.indexOf(h); });
    if (at[col.photo] < 0 || at[col.decision] < 0 || at[col.by] < 0) { say("That is no file of decisions: it has no columns photo, decision and by."); return; }
    var taken = 0, other = 0, open = 0;
    rows.forEach(function (r) {
      var out = at.map(function (k) { return k < 0 ? "" : r[k] || ""; }), key = keyOf(out[col.photo], out[col.point]), it = items[key];
      if (!out[col.by]) { open++; return; }
      if (it && (!it.photo || it.sha256 === out[col.sha256] && it.basis === out[col.basis])) { made[key] = out; taken++; return; }
      if (it) { other++; return; } // of other bytes, another tag or other points
      kept = kept.filter(function (k) { return keyOf(k[col.photo], k[col.point]) !== key; }); kept.push(out); taken++;
    });
    changed();
    say(taken + " decisions restored" + (other ? "; " + other + " were made of other photos, tags or points, and are open again" : "") + (open ? "; " + open + " nobody had made" : "") + ".");
    show(now);
  }

  // --- the list ---
  var buttons = [];
  function list() {
    var all = $("which").value === "all";
    D.items.forEach(function (it, i) {
      var b = buttons[i], d = made[it.key];
      b.parentNode.hidden = !all && !!d && i !== now;
      b.lastChild.textContent = d ? "✓ " + words(d) : it.kind;
      if (i === now) { b.setAttribute("aria-current", "true"); } else { b.removeAttribute("aria-current"); }
    });
  }
  function step(by, open) {
    for (var i = now + by; i >= 0 && i < D.items.length; i += by) {
      if (!open || !made[D.items[i].key]) { show(i); return; }
    }
    if (open) {
      for (i = 0; i < now; i++) { if (!made[D.items[i].key]) { show(i); return; } }
      if (D.items.every(function (it) { return made[it.key]; })) { say("All are decided. Save the decisions."); }
    }
    show(now);
  }

  // --- one item ---
  function place() { $("photo").style.transform = "translate(" + dx + "px," + dy + "px) rotate(" + turned + "deg) scale(" + zoom + ")"; }
  function fit() { zoom = 1; dx = dy = 0; place(); }
  function scale(k) { zoom = Math.min(12, Math.max(1, zoom * k)); if (zoom === 1) { dx = dy = 0; } place(); }
  function beside(id, n, word) {
    var f = $(id), img = f.firstElementChild;
    f.hidden = !n;
    if (!n) { return; }
    img.hidden = !n.img;
    if (n.img) { img.src = n.img; } else { img.removeAttribute("src"); }
    img.alt = "Photo " + word + ", " + base(n.label);
    f.lastElementChild.textContent = word + ": " + base(n.label) + (n.point ? ", at " + n.point : ", no point");
  }
  function show(i) {
    now = i;
    var it = D.items[i], d = it && made[it.key], img = $("photo");
    $("item").hidden = !it; $("none").hidden = !!it;
    if (!it) { return; }
    $("name").textContent = it.label;
    $("marks").textContent = "";
    if (it.verdict) { $("marks").appendChild(el("span", it.verdict, "v " + it.verdict)); }
    $("marks").appendChild(document.createTextNode(" " + (i + 1) + " of " + D.items.length + (it.taken ? ", taken " + it.taken : "")));
    img.hidden = !it.img; img.alt = "Photo " + it.label;
    if (it.img) { img.src = it.img; } else { img.removeAttribute("src"); }
    $("noimg").hidden = !!it.img; $("noimg").textContent = it.noimg || (it.photo ? "" : "There is no photo of this point.");
    $("original").hidden = !it.link; if (it.link) { $("original").href = it.link; }
    turned = 0; fit();
    beside("before", it.before, "Before"); beside("after", it.after, "After");
    var why = $("why"); why.textContent = "";
    it.says.forEach(function (s) { var li = el("li"); li.appendChild(el("b", s.Title)); li.appendChild(document.createTextNode(s.Text)); why.appendChild(li); });
    if (it.refused) { why.appendChild(el("li", it.refused)); }
    $("run").hidden = it.run < 0;
    if (it.run >= 0) { $("run-says").textContent = D.runs[it.run].name + ": " + D.runs[it.run].summary; }
    $("decided").hidden = !d;
    if (d) { $("decided").textContent = "Decided: " + words(d) + ", by " + d[col.by] + (d[col.why] ? " (" + d[col.why] + ")" : ""); }
    cands(it, d); facts(it); plan(it); list();
    document.querySelectorAll("[data-do]").forEach(function (b) { b.setAttribute("aria-pressed", String(!!d && d[col.decision] === b.dataset.do)); b.disabled = !it.photo && b.dataset.do === "no-point"; });
    $("undo").disabled = !d;
    $("other").hidden = !it.photo;
    var b = buttons[i]; if (b.scrollIntoView && window.innerWidth > 736) { b.scrollIntoView({ block: "nearest" }); }
  }
  function cands(it, d) {
    var ul = $("cands"); ul.textContent = "";
    it.cands.forEach(function (c, k) {
      var p = D.points[c.point], b = el("button"), told = [];
      b.type = "button"; b.dataset.point = p.id;
      b.appendChild(el("kbd", String(k + 1))); b.appendChild(document.createTextNode(" " + p.id + (c.point === it.linked ? ", as it is tied" : "") + (it.proposed && it.proposed.point === c.point ? ", proposed" : "")));
      if (c.p !== undefined) { told.push("probability " + percent(c.p)); }
      if (c.d !== undefined) { told.push(length(c.d) + " from the tag"); }
      if (p.code || p.desc) { told.push([p.code, p.desc].filter(Boolean).join(" ")); }
      b.appendChild(el("small", told.join("; ")));
      b.setAttribute("aria-pressed", String(!!d && d[col.decision] === "shows" && d[col.point] === p.id));
      b.addEventListener("click", function () { act("shows", c.point); });
      var li = el("li"); li.appendChild(b); ul.appendChild(li);
    });
    if (!it.cands.length) { ul.appendChild(el("li", it.photo ? "No point is near." : "No photo is tied to it.")); }
  }
  function facts(it) {
    var dl = $("facts"), p = it.linked >= 0 ? it.linked : it.point; dl.textContent = "";
    function add(t, text) { if (text) { dl.appendChild(el("dt", t)); dl.appendChild(el("dd", text)); } }
    if (p >= 0) { p = D.points[p]; add("Point " + p.id, [p.code, p.desc].filter(Boolean).join(", ") || "no code and no description"); }
    add("What speaks for it", it.evidence.join("; "));
    add("Allowed", it.budget);
  }

  // --- the plan ---
  var NS = "http://www.w3.org/2000/svg";
  function plan(it) {
    var fig = $("plan"), W = 400, H = 300, M = 26; fig.textContent = "";
    var near = it.cands.map(function (c) { return c.point; });
    if (it.point >= 0) { near = [it.point]; }
    if (it.linked >= 0 && near.indexOf(it.linked) < 0) { near.push(it.linked); }
    var mid = it.tag || (near.length ? D.points[near[0]] : null);
    if (!mid) { return; }
    var d = near.map(function (k) { return Math.hypot(D.points[k].e - mid.e, D.points[k].n - mid.n); }).sort(function (a, b) { return a - b; });
    var reach = Math.max((it.allowed || 0) * 1.3, 1, d.length ? Math.min(d[d.length - 1], Math.max(d[0] * 2.5, (it.allowed || 5) * 6)) : 5) * 1.15;
    var k = (H / 2 - M) / reach, X = function (e) { return W / 2 + (e - mid.e) * k; }, Y = function (n) { return H / 2 - (n - mid.n) * k; };
    var svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 " + W + " " + H); svg.setAttribute("role", "img");
    function put(name, at, text) { var e = document.createElementNS(NS, name); Object.keys(at).forEach(function (a) { e.setAttribute(a, at[a]); }); if (text) { e.textContent = text; } svg.appendChild(e); return e; }
    function write(x, y, text, weight, anchor) { put("text", { x: x, y: y, "font-size": 13, fill: "#16181a", "font-weight": weight || 400, "text-anchor": anchor || "start", stroke: "#fff", "stroke-width": 3, "paint-order": "stroke" }, text); }
    put("title", {}, "Plan about " + (it.tag ? "the tag" : "the point") + ", grid north up");
    if (it.tag && it.allowed) { put("circle", { cx: W / 2, cy: H / 2, r: it.allowed * k, fill: "none", stroke: "#4d5257", "stroke-dasharray": "4 3" }); }
    // Other points about it, so that the place can be recognised; few of them.
    var others = 0;
    for (var j = 0; j < D.points.length && others < 200; j++) {
      var q = D.points[j];
      if (Math.abs(q.e - mid.e) * k < W / 2 - 8 && Math.abs(q.n - mid.n) * k < H / 2 - 8 && near.indexOf(j) < 0) { put("circle", { cx: X(q.e), cy: Y(q.n), r: 2, fill: "#8a9096" }); others++; }
    }
    near.forEach(function (j, n) {
      var p = D.points[j], x = X(p.e), y = Y(p.n), heavy = j === it.linked, far = x < M || x > W - M || y < M || y > H - M;
      if (far) {
        var a = Math.atan2(-(p.n - mid.n), p.e - mid.e), t = Math.min((W / 2 - M) / Math.abs(Math.cos(a)), (H / 2 - M) / Math.abs(Math.sin(a)));
        x = W / 2 + t * Math.cos(a); y = H / 2 + t * Math.sin(a);
        put("path", { d: "M" + (x - 14 * Math.cos(a)) + " " + (y - 14 * Math.sin(a)) + "L" + x + " " + y, stroke: "#16181a", "stroke-width": 2, "stroke-dasharray": "3 2" });
      } else {
        if (heavy && it.tag) { put("path", { d: "M" + W / 2 + " " + H / 2 + "L" + x + " " + y, stroke: "#16181a", "stroke-width": 1.5 }); }
        put("circle", { cx: x, cy: y, r: heavy ? 5 : 3.5, fill: "#16181a" });
      }
      var left = x > W * 0.6;
      write(x + (left ? -7 : 7), y + (n % 2 ? 14 : -6), p.id + (far ? " " + length(Math.hypot(p.e - mid.e, p.n - mid.n)) : ""), heavy ? 700 : 400, left ? "end" : "start");
    });
    if (it.tag) { put("path", { d: "M" + (W / 2 - 7) + " " + H / 2 + "h14M" + W / 2 + " " + (H / 2 - 7) + "v14", stroke: "#12488a", "stroke-width": 3 }); }
    var bar = Math.pow(10, Math.floor(Math.log10(reach / 2))); [5, 2].some(function (f) { if (bar * f * k < 110) { bar *= f; return true; } return false; });
    put("path", { d: "M12 " + (H - 14) + "v6h" + bar * k + "v-6", fill: "none", stroke: "#16181a", "stroke-width": 1.5 });
    write(18 + bar * k, H - 8, String(+bar.toPrecision(3)) + " " + D.unit);
    put("path", { d: "M" + (W - 16) + " 32l5 12l-5 -3l-5 3z", fill: "#16181a" }); write(W - 16, 28, "N", 700, "middle");
    fig.appendChild(svg);
    fig.appendChild(el("figcaption", (it.tag ? "The cross is the tag" + (it.allowed ? ", the circle its budget" : "") + "; " : "") + "dots are points" + (it.tag && it.linked >= 0 ? "; the line leads to the one that the photo is tied to." : ".")));
  }

  // --- runs ---
  function runOf() { var it = D.items[now]; return it && it.run >= 0 ? D.items.filter(function (x) { return x.run === it.run; }) : []; }
  function openRun() {
    var all = runOf(), rows = $("runs-rows");
    if (!all.length) { return; }
    $("runs-h").textContent = D.runs[all[0].run].name; $("runs-says").textContent = D.runs[all[0].run].summary;
    rows.textContent = "";
    all.forEach(function (it) {
      var tr = el("tr"), td = el("td"), img;
      if (it.img) { img = el("img"); img.src = it.img; img.alt = ""; td.appendChild(img); }
      td.appendChild(document.createTextNode(base(it.label))); tr.appendChild(td);
      tr.appendChild(el("td", it.linked >= 0 ? D.points[it.linked].id : "none"));
      tr.appendChild(el("td", made[it.key] ? words(made[it.key]) + ", decided already" : D.points[it.proposed.point].id + (it.proposed.p ? ", " + percent(it.proposed.p) : "")));
      rows.appendChild(tr);
    });
    var open = all.filter(function (it) { return !made[it.key]; });
    $("runs-do").textContent = "Decide " + open.length + " as proposed"; $("runs-do").disabled = !open.length;
    $("runs").showModal();
  }
  function doRun() {
    var n = 0;
    $("runs").close();
    runOf().forEach(function (it) { if (!made[it.key] && decide(it, it.proposed.decision, it.proposed.point, $("reason").value || "as the cause proposes: " + it.proposed.why)) { n++; } });
    if (n) { say(n + " decided as proposed."); step(1, true); }
  }

  // --- keys, buttons, fingers ---
  function undo() { var it = D.items[now]; if (it && made[it.key]) { delete made[it.key]; changed(); show(now); say("Taken back."); } }
  var keys = {
    "0": function () { act("no-point", -1); }, t: function () { act("take-again", -1); }, l: function () { act("leave", -1); }, u: undo,
    n: function () { step(1); }, p: function () { step(-1); }, ArrowRight: function () { step(1); }, ArrowLeft: function () { step(-1); },
    a: openRun, s: save, r: function () { turned += 90; place(); }, f: fit, "+": function () { scale(1.4); }, "=": function () { scale(1.4); }, "-": function () { scale(1 / 1.4); },
    o: function () { $("other-id").focus(); }, w: function () { $("reason").focus(); }, "?": function () { $("help").showModal(); }
  };
  document.addEventListener("keydown", function (e) {
    var tag = e.target.tagName, typing = tag === "INPUT" && e.target.type !== "checkbox" || tag === "SELECT";
    if (typing && e.key === "Escape") { e.target.blur(); return; }
    if (typing || e.ctrlKey || e.metaKey || e.altKey || !$("keys").checked || document.querySelector("dialog[open]")) { return; }
    var k = e.key.length === 1 ? e.key.toLowerCase() : e.key, it = D.items[now];
    if (k >= "1" && k <= "9" && k.length === 1) { e.preventDefault(); if (it && it.cands[k - 1]) { act("shows", it.cands[k - 1].point); } return; }
    if (keys[k]) { e.preventDefault(); keys[k](); }
  });
  document.querySelectorAll("[data-do]").forEach(function (b) { b.addEventListener("click", function () { act(b.dataset.do, -1); }); });
  $("other").addEventListener("submit", function (e) {
    e.preventDefault();
    var id = $("other-id").value.trim();
    if (by[id] === undefined) { say("The survey has no point " + id + "."); return; }
    $("other-id").value = ""; $("other-id").blur(); act("shows", by[id]);
  });
  [["save", save], ["undo", undo], ["next", keys.n], ["prev", keys.p], ["zin", keys["+"]], ["zout", keys["-"]], ["turn", keys.r], ["fit", fit], ["run-open", openRun], ["runs-do", doRun],
    ["runs-close", function () { $("runs").close(); }], ["help-open", keys["?"]], ["help-close", function () { $("help").close(); }]].forEach(function (x) { $(x[0]).addEventListener("click", x[1]); });
  $("which").addEventListener("change", list);
  $("reason").addEventListener("keydown", function (e) { if (e.key === "Enter") { e.target.blur(); } });
  $("by").addEventListener("keydown", function (e) { if (e.key === "Enter") { e.target.blur(); } });
  $("restore").addEventListener("change", function (e) {
    var f = e.target.files[0], input = e.target;
    if (f) { f.text().then(function (s) { restore(s); input.value = ""; }, function () { say("The file can’t be read."); }); }
  });
  var fingers = {}, apart = 0, view = $("view");
  view.addEventListener("pointerdown", function (e) { fingers[e.pointerId] = e; apart = 0; view.setPointerCapture(e.pointerId); e.preventDefault(); });
  view.addEventListener("pointermove", function (e) {
    var was = fingers[e.pointerId], ids = Object.keys(fingers);
    if (!was) { return; }
    fingers[e.pointerId] = e;
    if (ids.length === 2) {
      var a = fingers[ids[0]], b = fingers[ids[1]], d = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
      if (apart) { scale(d / apart); }
      apart = d;
    } else if (zoom > 1) { dx += e.clientX - was.clientX; dy += e.clientY - was.clientY; place(); }
  });
  ["pointerup", "pointercancel"].forEach(function (n) { view.addEventListener(n, function (e) { delete fingers[e.pointerId]; apart = 0; }); });
  view.addEventListener("wheel", function (e) { e.preventDefault(); scale(e.deltaY < 0 ? 1.2 : 1 / 1.2); }, { passive: false });
  window.addEventListener("beforeunload", function (e) { if (unsaved) { e.preventDefault(); e.returnValue = ""; } });

  D.items.forEach(function (it, i) {
    it.kind = it.says.length ? it.says[0].Title : "";
    var li = el("li"), b = el("button", base(it.label));
    b.type = "button"; b.appendChild(el("small")); b.addEventListener("click", function () { show(i); if (window.innerWidth <= 736) { $("main").scrollIntoView(); } });
    buttons.push(b); li.appendChild(b); $("list").appendChild(li);
  });
  try {
    var old = JSON.parse(localStorage.getItem(store) || "null"), n = 0;
    if (old) {
      $("by").value = old.by || "";
      Object.keys(old.made || {}).forEach(function (k) { if (items[k]) { made[k] = old.made[k]; n++; } });
      if (n) { unsaved = true; say(n + " decisions that this browser had kept were taken up."); }
    }
  } catch (e) { /* the browser keeps nothing for a page */ }
  count(); show(0);
})();
