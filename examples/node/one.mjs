// Compares a photo with the surveyed position of what it shows, and corrects it. From the top:
//
//   make libphototie && npm --prefix examples/node install &&
//     node examples/node/one.mjs bin/libphototie.so photo.jpg EPSG:2157 690242.043 604873.007 corrected.jpg
import { readFileSync, writeFileSync } from "node:fs";
import koffi from "koffi";

const [library, file, crs, e, n, out] = process.argv.slice(2);
const lib = koffi.load(library);
koffi.struct("phototie_bytes", { data: "void *", len: "size_t" });
const open = lib.func("int phototie_open(size_t max_bytes, _Out_ uint64_t *service, _Out_ phototie_bytes *answer)");
const answer = lib.func("int phototie_answer(uint64_t service, const char *request, const void *photo, size_t photo_len, uint32_t timeout_ms, _Out_ phototie_bytes *answer, _Out_ phototie_bytes *corrected)");
const close = lib.func("int phototie_close(uint64_t service)");
const free = lib.func("void phototie_free(_Inout_ phototie_bytes *bytes)");

// take copies bytes of the library's, and frees them there.
function take(bytes) {
  const copy = bytes.data ? Buffer.from(koffi.decode(bytes.data, "uint8_t", Number(bytes.len))) : null;
  free(bytes);
  return copy;
}

function ask(service, request, photo) {
  const got = {}, corrected = {};
  answer(service, JSON.stringify(request), photo, photo.length, 0, got, corrected);
  const response = JSON.parse(take(got)), bytes = take(corrected);
  if (response.error) throw new Error(response.error.message);
  return [response, bytes];
}

const service = [0], photo = readFileSync(file), position = { crs, e: Number(e), n: Number(n) };
if (open(0, service, null) !== 0) throw new Error("no service");
const { photo: { verdict, discrepancy }, grid } = ask(service[0], { do: "compare", ...position }, photo)[0].compare;
console.log(verdict, discrepancy.distance.toFixed(1), grid.unit.symbol, "off");
const [{ correct }, corrected] = ask(service[0], { do: "correct", ...position }, photo);
console.log(correct.outcome, correct.why ?? "");
if (corrected) writeFileSync(out, corrected, { flag: "wx" });
close(service[0]);
