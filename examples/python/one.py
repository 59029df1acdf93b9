"""Compares a photo with the surveyed position of what it shows, and corrects it. From the top:

    make libphototie && python3 examples/python/one.py bin/libphototie.so photo.jpg EPSG:2157 690242.043 604873.007 corrected.jpg
"""
import json, sys
from ctypes import CDLL, POINTER, Structure, byref, c_char_p, c_size_t, c_uint32, c_uint64, c_void_p, string_at


class Bytes(Structure):
    _fields_ = [("data", c_void_p), ("len", c_size_t)]


library, photo, crs, e, n, out = sys.argv[1:]
lib = CDLL(library)
lib.phototie_open.argtypes = [c_size_t, POINTER(c_uint64), POINTER(Bytes)]
lib.phototie_answer.argtypes = [c_uint64, c_char_p, c_char_p, c_size_t, c_uint32, POINTER(Bytes), POINTER(Bytes)]
lib.phototie_close.argtypes = [c_uint64]
lib.phototie_free.argtypes = [POINTER(Bytes)]


def ask(service, request, photo):
    answer, corrected = Bytes(), Bytes()
    lib.phototie_answer(service, json.dumps(request).encode(), photo, len(photo), 0, byref(answer), byref(corrected))
    got = json.loads(string_at(answer.data, answer.len)), string_at(corrected.data, corrected.len)
    lib.phototie_free(byref(answer)), lib.phototie_free(byref(corrected))
    return got if "error" not in got[0] else sys.exit(got[0]["error"]["message"])


service, photo = c_uint64(), open(photo, "rb").read()
if lib.phototie_open(0, byref(service), None) != 0:
    sys.exit("no service")
compared = ask(service, {"do": "compare", "crs": crs, "e": float(e), "n": float(n)}, photo)[0]["compare"]
print(compared["photo"]["verdict"], "%.1f" % compared["photo"]["discrepancy"]["distance"], compared["grid"]["unit"]["symbol"], "off")
answer, corrected = ask(service, {"do": "correct", "crs": crs, "e": float(e), "n": float(n)}, photo)
print(answer["correct"]["outcome"], answer["correct"].get("why", ""))
if corrected:
    open(out, "xb").write(corrected)
lib.phototie_close(service)
