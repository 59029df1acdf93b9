/*
 * phototie.h: one photo or one job of phototie, from any language that calls C.
 *
 *     phototie_service service;
 *     phototie_bytes answer, corrected;
 *     if (phototie_open(0, &service, &answer) != PHOTOTIE_OK) ...
 *     phototie_answer(service, "{\"do\":\"correct\",\"crs\":\"EPSG:2157\",\"e\":690242.043,"
 *                     "\"n\":604873.007}", photo, photo_len, 0, &answer, &corrected);
 *     phototie_free(&answer);
 *     phototie_free(&corrected);
 *     phototie_close(service);
 *
 * Requests and answers are the JSON objects of "phototie serve --stdio", version 1:
 * "phototie help json" has their schema (serve-1.json), and examples/c, examples/python
 * and examples/node are whole programs. What "path", "into" and "dataset" name is read and
 * written with the rights of the process: pass no request on that a stranger wrote.
 *
 * ERRORS are values. Every function that can fail returns a phototie_status; where it is
 * not PHOTOTIE_OK, the answer is {"version":1,"id":...,"error":{"code":...,"message":...}},
 * whose message says what is wrong and what to do. No input ends the process: a NULL,
 * a service that was never opened or is closed, and bytes of any kind give an error. What
 * C can't guard against stays the caller's: pointers to memory that is not there or
 * shorter than said, a request without its terminating 0, and a machine without memory.
 *
 * MEMORY. What a caller passes in is only read, and only until the call returns; it must
 * not change meanwhile. What comes back in a phototie_bytes is the caller's: give each to
 * phototie_free, once it is not needed any more, and to no other function that frees.
 * Every call first sets the phototie_bytes that it is given to {NULL, 0} without freeing
 * what they had. A photo is some three times in memory while it is corrected.
 *
 * THREADS. Every function may be called by any number of threads at once, with the same
 * service or others; calls do not wait for each other, and as many are worked on as are
 * made. Services share nothing that shows; what PROJ has loaded is kept for the next.
 *
 * THE PROCESS. The library has the runtime of Go in it, which starts threads of its own,
 * installs handlers of signals on alternate stacks (a handler that is there already is
 * called for what is not Go's), and stays loaded until the process ends: dlclose does
 * nothing. After a fork, the child must call exec, or not call this library: it gets
 * PHOTOTIE_BROKEN. (Python: multiprocessing with "spawn" or "forkserver".) PROJ reads its
 * database where it is installed, or where the environment's PROJ_DATA says.
 */
#ifndef PHOTOTIE_H
#define PHOTOTIE_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The version of this interface. Within a version, functions, values of
 * phototie_status and fields of requests and answers are added, none goes or changes its
 * meaning. */
#define PHOTOTIE_VERSION 1

/* How a call ended. The code is that of the error in the answer. */
typedef enum phototie_status {
	PHOTOTIE_OK = 0,          /* done; the answer has no error */
	PHOTOTIE_BAD_REQUEST = 1, /* "bad-request": the request or an argument is wrong or missing */
	PHOTOTIE_TOO_LARGE = 2,   /* "too-large": request and photo are longer than the limit */
	PHOTOTIE_BAD_SYSTEM = 3,  /* "bad-system": the coordinate system is unknown or can't be opened */
	PHOTOTIE_BAD_IMAGE = 4,   /* "bad-image": the photo is damaged, or no image that is read here */
	PHOTOTIE_BAD_INPUT = 5,   /* "bad-input": a file or dataset is missing or wrong */
	PHOTOTIE_CANCELLED = 6,   /* "cancelled": by phototie_cancel, phototie_close or the time limit */
	PHOTOTIE_BROKEN = 7       /* "broken": a fault of phototie or of the machine */
} phototie_status;

/* An open service. No service is 0, and none has the number of one that was closed. */
typedef uint64_t phototie_service;

/* Bytes that the library hands out. data[len] is 0 where data is not NULL, so that an
 * answer is also a string. */
typedef struct phototie_bytes {
	uint8_t *data;
	size_t len;
} phototie_bytes;

/* phototie_version returns the PHOTOTIE_VERSION that the library was built with. */
int phototie_version(void);

/* phototie_open opens a service, which opens each coordinate system once and keeps it.
 *
 * max_bytes  how long a request and its photo may be together; 0 is 64 MiB, and the most
 *            2047 MiB
 * service    gets the service; 0 after an error
 * answer     gets the error, and is {NULL, 0} without; may be NULL */
phototie_status phototie_open(size_t max_bytes, phototie_service *service, phototie_bytes *answer);

/* phototie_answer answers one request.
 *
 * service     from phototie_open
 * request     a JSON object in UTF-8, with its terminating 0; "do" is "compare",
 *             "correct" or "check"
 * photo       the photo's bytes, for compare and correct; NULL where the request says
 *             where it is ("path"). A request has no need of "photo", the same in base64.
 * photo_len   how many
 * timeout_ms  after so many milliseconds the call is cancelled; 0 is never. Work stops
 *             between two steps, so that it may take some longer.
 * answer      gets the answer, or the error: one JSON object
 * corrected   gets the bytes of the photo that correct made; {NULL, 0} where it made none
 *             ("outcome" in the answer is not "corrected", or "into" named a file). May be
 *             NULL: then they are in the answer, in base64. */
phototie_status phototie_answer(phototie_service service, const char *request,
                                const void *photo, size_t photo_len, uint32_t timeout_ms,
                                phototie_bytes *answer, phototie_bytes *corrected);

/* phototie_cancel cancels every phototie_answer that is under way with the service: it
 * returns PHOTOTIE_CANCELLED, if it does not get done before. The service stays open.
 * PHOTOTIE_BAD_REQUEST: it is not open. */
phototie_status phototie_cancel(phototie_service service);

/* phototie_close cancels what is under way with the service, waits until that has
 * returned, and closes it. Its memory is used again, or goes back, in the course of time.
 * PHOTOTIE_BAD_REQUEST: it is not open, or closed already. */
phototie_status phototie_close(phototie_service service);

/* phototie_free frees bytes that the library handed out, and sets them to {NULL, 0}, so
 * that a second call does nothing. NULL does nothing. */
void phototie_free(phototie_bytes *bytes);

#ifdef __cplusplus
}
#endif

#endif
