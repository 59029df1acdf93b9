/* The functions of phototie.h: what C can do for a caller, and the call to Go. */

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "phototie.h"
#include "_cgo_export.h"

/* Go's threads are in the process that loaded the library, and not in its children. */
static pid_t loaded;
__attribute__((constructor)) static void load(void) { loaded = getpid(); }

static phototie_status child(phototie_bytes *answer)
{
	static const char text[] = "{\"version\":1,\"id\":null,\"error\":{\"code\":\"broken\",\"message\":"
		"\"this process was forked from the one that loaded the library: call exec first\"}}";
	if (answer != NULL && (answer->data = malloc(sizeof text)) != NULL) {
		memcpy(answer->data, text, sizeof text);
		answer->len = sizeof text - 1;
	}
	return PHOTOTIE_BROKEN;
}

static void clear(phototie_bytes *bytes)
{
	if (bytes != NULL)
		*bytes = (phototie_bytes){NULL, 0};
}

int phototie_version(void) { return PHOTOTIE_VERSION; }

phototie_status phototie_open(size_t max_bytes, phototie_service *service, phototie_bytes *answer)
{
	clear(answer);
	if (service != NULL)
		*service = 0;
	return getpid() == loaded ? phototieOpen(max_bytes, service, answer) : child(answer);
}

phototie_status phototie_answer(phototie_service service, const char *request,
                                const void *photo, size_t photo_len, uint32_t timeout_ms,
                                phototie_bytes *answer, phototie_bytes *corrected)
{
	clear(answer);
	clear(corrected);
	if (getpid() != loaded)
		return child(answer);
	return phototieAnswer(service, (char *)request, request == NULL ? 0 : strlen(request),
	                      (void *)photo, photo_len, timeout_ms, answer, corrected);
}

phototie_status phototie_cancel(phototie_service service)
{
	return getpid() == loaded ? phototieCancel(service) : PHOTOTIE_BROKEN;
}

phototie_status phototie_close(phototie_service service)
{
	return getpid() == loaded ? phototieClose(service) : PHOTOTIE_BROKEN;
}

void phototie_free(phototie_bytes *bytes)
{
	if (bytes == NULL)
		return;
	free(bytes->data);
	clear(bytes);
}
