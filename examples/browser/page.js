(function () {
  "use strict";
  var photo = null, name = "", link = "";
  function at(id) { return document.getElementById(id); }
  function say(id, text) { at(id).textContent = text; }

  function rows(id, list) {
    at(id).replaceChildren.apply(at(id), list.flatMap(function (r) {
      var dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = r[0];
      dd.textContent = r[1];
      return [dt, dd];
    }));
  }

  // nothing takes back what an earlier copy said.
  function nothing() {
    if (link) { URL.revokeObjectURL(link); link = ""; }
    at("done").hidden = true;
    at("save").removeAttribute("href");
    say("refused", "");
  }

  async function start() {
    var text = at("program").textContent, packed = Uint8Array.from(atob(text), function (c) { return c.charCodeAt(0); });
    at("program").remove();
    var raw = await new Response(new Response(packed).body.pipeThrough(new DecompressionStream("gzip"))).arrayBuffer();
    var go = new Go(), made = await WebAssembly.instantiate(raw, go.importObject);
    go.run(made.instance).then(function () { // it stays, unless it failed
      say("unread", "The page's program has stopped: load the page again.");
      at("file").disabled = true;
      at("form").hidden = true;
    });
    at("file").disabled = false;
    say("busy", "");
  }

  at("file").addEventListener("change", async function () {
    var file = at("file").files[0];
    nothing();
    photo = null;
    at("form").hidden = true;
    rows("tag", []);
    say("unread", "");
    if (!file) { return; }
    say("busy", "Reading …");
    try {
      var bytes = new Uint8Array(await file.arrayBuffer());
      if (file !== at("file").files[0]) { return; } // another was chosen meanwhile
      var got = phototieRead(bytes);
      if (got.error) { throw new Error(got.error); }
      photo = bytes;
      name = file.name;
      rows("tag", got.rows);
      at("form").hidden = false;
    } catch (e) {
      say("unread", "This file can't be read: " + e.message);
    }
    say("busy", "");
  });

  // number reads a field that must be a number within bounds; the error names the field.
  function number(id, what, least, most) {
    var field = at(id), text = field.value.trim().replace("\u2212", "-");
    var n = /^[+-]?\d+(\.\d+)?$/.test(text) ? Number(text) : NaN;
    var fits = n >= least && n <= most;
    field.setAttribute("aria-invalid", String(!fits));
    if (!fits) { field.focus(); throw new Error(what); }
    return n;
  }

  at("form").addEventListener("submit", function (ev) {
    ev.preventDefault();
    nothing();
    try {
      var edit = {
        meaning: "subject",
        lat: number("lat", "Latitude: give degrees from -90 to 90 with a decimal point, south negative.", -90, 90),
        lon: number("lon", "Longitude: give degrees from -180 to 180 with a decimal point, west negative.", -180, 180),
        h_positioning_error_m: number("error", "Accuracy: give metres, more than 0.", 1e-9, 1e6),
        map_datum: at("datum").value.trim()
      };
      if (!edit.map_datum) { at("datum").focus(); throw new Error("Datum: name the datum of the position, such as WGS-84."); }
      var got = phototieWrite(photo, JSON.stringify(edit));
      if (got.error) { throw new Error(got.error); }
    } catch (e) {
      say("refused", e.message);
      return;
    }
    rows("changes", got.rows);
    link = URL.createObjectURL(new Blob([got.photo], { type: "application/octet-stream" }));
    at("save").href = link;
    at("save").download = name;
    at("done").hidden = false;
    at("head").focus();
  });
  ["lat", "lon", "error", "datum"].forEach(function (id) { at(id).addEventListener("input", nothing); });

  start().catch(function (e) { say("busy", ""); say("unread", "The page can't start here: " + e.message); });
})();
