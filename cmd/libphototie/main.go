package main

// #include <stdlib.h>
// #include "phototie.h"
import "C"

import (
	"time"
	"unsafe"

	"example.com/phototie/match/service"
)

func main() {}

// statuses are those of the codes of errors.
var statuses = map[service.Code]C.phototie_status{
	"":                 C.PHOTOTIE_OK,
	service.BadRequest: C.PHOTOTIE_BAD_REQUEST,
	service.TooLarge:   C.PHOTOTIE_TOO_LARGE,
	service.BadSystem:  C.PHOTOTIE_BAD_SYSTEM,
	service.BadImage:   C.PHOTOTIE_BAD_IMAGE,
	service.BadInput:   C.PHOTOTIE_BAD_INPUT,
	service.Cancelled:  C.PHOTOTIE_CANCELLED,
	service.Broken:     C.PHOTOTIE_BROKEN,
}

//export phototieOpen
func phototieOpen(most C.size_t, handle *C.phototie_service, answer *C.phototie_bytes) C.phototie_status {
	if handle == nil {
		return give(answer, refuse(nil, service.BadRequest, "service is NULL"))
	}
	h := open(uint64(most))
	if h == 0 {
		return give(answer, refuse(nil, service.BadRequest, "max_bytes is %d; it is %d at most, and 0 for %d", most, uint64(mostBytes), usualBytes))
	}
	*handle = C.phototie_service(h)
	return C.PHOTOTIE_OK
}

//export phototieAnswer
func phototieAnswer(handle C.phototie_service, request *C.char, n C.size_t, photo unsafe.Pointer, photoLen C.size_t, ms C.uint32_t, out, corrected *C.phototie_bytes) C.phototie_status {
	if request == nil || out == nil || photo == nil && photoLen > 0 {
		return give(out, refuse(nil, service.BadRequest, "request, answer, or a photo that has a length is NULL"))
	}
	r := answer(uint64(handle), in(unsafe.Pointer(request), n), in(photo, photoLen), time.Duration(ms)*time.Millisecond, corrected != nil)
	if r.corrected != nil {
		hand(corrected, r.corrected)
	}
	return give(out, r)
}

//export phototieCancel
func phototieCancel(handle C.phototie_service) C.phototie_status {
	return done(cancel(uint64(handle), false))
}

//export phototieClose
func phototieClose(handle C.phototie_service) C.phototie_status {
	return done(shut(uint64(handle)))
}

func done(ok bool) C.phototie_status {
	if !ok {
		return C.PHOTOTIE_BAD_REQUEST
	}
	return C.PHOTOTIE_OK
}

// in is the caller's bytes, where they are; of more than any service takes, so many
// that it is still too many.
func in(p unsafe.Pointer, n C.size_t) []byte {
	return unsafe.Slice((*byte)(p), int(min(uint64(n), mostBytes+1)))
}

// give hands a reply out, if there is where to, and gives its status.
func give(to *C.phototie_bytes, r reply) C.phototie_status {
	if to != nil {
		hand(to, r.doc)
	}
	if status, ok := statuses[r.code]; ok {
		return status
	}
	return C.PHOTOTIE_BROKEN
}

// hand copies bytes to the caller, and a 0.
func hand(to *C.phototie_bytes, b []byte) {
	p := C.malloc(C.size_t(len(b) + 1)) // which never is nil
	copied := unsafe.Slice((*byte)(p), len(b)+1)
	copied[copy(copied, b)] = 0
	to.data, to.len = (*C.uint8_t)(p), C.size_t(len(b))
}
