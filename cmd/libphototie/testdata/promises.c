/* Holds the library to what phototie.h promises.
 *
 *     promises PHOTO CORRECTED JOB    a photo within its budget at AT, what it is corrected
 *                                     to, and a job's folder
 *     promises ask REQUEST PHOTO ...  the status and the answer of each pair of files, a line each
 *     promises loop N REQUEST PHOTO   asks N times, each time with the files read anew
 */
#define _GNU_SOURCE /* pthread_tryjoin_np */
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "phototie.h"

#define AT "\"crs\":\"EPSG:2157\",\"e\":690242.043,\"n\":604873.007"
#define COMPARE "{\"id\":1,\"do\":\"compare\"," AT "}"
#define CORRECT "{\"id\":2,\"do\":\"correct\"," AT "}"

static int failed;
#define CHECK(what) do { if (!(what)) { failed = 1; fprintf(stderr, "line %d: %s\n", __LINE__, #what); } } while (0)

static phototie_bytes photo, want;
static char check[5000]; /* the request to check the job */

static phototie_bytes slurp(const char *name)
{
	phototie_bytes b = {NULL, 0};
	FILE *f = fopen(name, "rb");
	if (f == NULL || fseek(f, 0, SEEK_END) != 0) {
		perror(name);
		exit(2);
	}
	b.len = ftell(f);
	b.data = calloc(1, b.len + 1);
	rewind(f);
	if (fread(b.data, 1, b.len, f) != b.len)
		exit(2);
	fclose(f);
	return b;
}

/* ask has a copy of the photo that is gone when the call is over. The answer has to be
 * there, whatever the status, and have its 0. */
static phototie_status ask(phototie_service s, const char *request, const phototie_bytes *p, uint32_t ms, phototie_bytes *answer, phototie_bytes *corrected)
{
	uint8_t *copy = NULL;
	if (p != NULL) {
		copy = malloc(p->len);
		memcpy(copy, p->data, p->len);
	}
	phototie_status status = phototie_answer(s, request, copy, p == NULL ? 0 : p->len, ms, answer, corrected);
	if (p != NULL)
		CHECK(memcmp(copy, p->data, p->len) == 0);
	free(copy);
	CHECK(answer->data != NULL && strlen((char *)answer->data) == answer->len);
	return status;
}

/* is asks, and holds the status, and what the answer has in it, against what they have to be. */
static int is(phototie_service s, const char *request, const phototie_bytes *p, phototie_status status, const char *in)
{
	phototie_bytes answer, corrected;
	int got = ask(s, request, p, 0, &answer, &corrected);
	int ok = got == (int)status && strstr((char *)answer.data, in) != NULL;
	if (!ok)
		fprintf(stderr, "%.100s: %d %.200s\n", request, got, answer.data);
	phototie_free(&answer);
	phototie_free(&corrected);
	return ok;
}

static phototie_service open_one(void)
{
	phototie_service s = 0;
	phototie_bytes answer;
	CHECK(phototie_open(0, &s, &answer) == PHOTOTIE_OK && s != 0);
	CHECK(answer.data == NULL && answer.len == 0);
	return s;
}

static void statuses(phototie_service s)
{
	phototie_bytes empty = {(uint8_t *)"", 0}, none = {(uint8_t *)"no image", 8};
	CHECK(is(s, COMPARE, &photo, PHOTOTIE_OK, "\"id\":1,\"compare\":"));
	CHECK(is(s, CORRECT, &photo, PHOTOTIE_OK, "\"outcome\":\"corrected\""));
	CHECK(is(s, check, NULL, PHOTOTIE_OK, "\"phototie-check\""));
	CHECK(is(s, "{\"do\":\"correct\",\"crs\":\"EPSG:2157\",\"e\":690342,\"n\":604873}", &photo, PHOTOTIE_OK, "\"outcome\":\"left\""));
	CHECK(is(s, "", NULL, PHOTOTIE_BAD_REQUEST, "\"id\":null,\"error\":{\"code\":\"bad-request\""));
	CHECK(is(s, "not JSON", NULL, PHOTOTIE_BAD_REQUEST, "\"bad-request\""));
	CHECK(is(s, "{\"id\":7,\"do\":\"fly\"}", NULL, PHOTOTIE_BAD_REQUEST, "\"id\":7,\"error\":{\"code\":\"bad-request\""));
	CHECK(is(s, "{\"do\":\"cancel\",\"of\":1}", NULL, PHOTOTIE_BAD_REQUEST, "phototie_cancel"));
	CHECK(is(s, "{\"do\":\"check\",\"dataset\":\"x\"}", &photo, PHOTOTIE_BAD_REQUEST, "\"bad-request\""));
	CHECK(is(s, "{\"do\":\"compare\"," AT ",\"photo\":\"AAAA\"}", &photo, PHOTOTIE_BAD_REQUEST, "twice"));
	CHECK(is(s, COMPARE, NULL, PHOTOTIE_BAD_REQUEST, "\"bad-request\""));
	CHECK(is(s, "{\"do\":\"compare\",\"crs\":\"EPSG:1\",\"e\":1,\"n\":2}", &photo, PHOTOTIE_BAD_SYSTEM, "\"bad-system\""));
	CHECK(is(s, COMPARE, &none, PHOTOTIE_BAD_IMAGE, "\"bad-image\""));
	CHECK(is(s, COMPARE, &empty, PHOTOTIE_BAD_IMAGE, "\"bad-image\""));
	CHECK(is(s, "{\"do\":\"compare\"," AT ",\"path\":\"/nowhere/a.jpg\"}", NULL, PHOTOTIE_BAD_INPUT, "\"bad-input\""));
}

static void arguments(phototie_service s)
{
	phototie_bytes answer = {NULL, 0}, corrected;
	phototie_service other = 5;
	CHECK(phototie_open(0, NULL, &answer) == PHOTOTIE_BAD_REQUEST && answer.len > 0);
	phototie_free(&answer);
	CHECK(phototie_open((size_t)2048 << 20, &other, &answer) == PHOTOTIE_BAD_REQUEST && answer.len > 0 && other == 0);
	phototie_free(&answer);
	CHECK(phototie_open(0, NULL, NULL) == PHOTOTIE_BAD_REQUEST);

	const phototie_service forged[] = {0, s + 1, s + 1000000, (uint64_t)1 << 63, UINT64_MAX};
	for (size_t i = 0; i < sizeof forged / sizeof *forged; i++) {
		CHECK(is(forged[i], COMPARE, &photo, PHOTOTIE_BAD_REQUEST, "not open"));
		CHECK(phototie_cancel(forged[i]) == PHOTOTIE_BAD_REQUEST);
		CHECK(phototie_close(forged[i]) == PHOTOTIE_BAD_REQUEST);
	}

	CHECK(phototie_answer(s, NULL, NULL, 0, 0, &answer, NULL) == PHOTOTIE_BAD_REQUEST && answer.len > 0);
	phototie_free(&answer);
	CHECK(phototie_answer(s, COMPARE, NULL, 5, 0, &answer, NULL) == PHOTOTIE_BAD_REQUEST && answer.len > 0);
	phototie_free(&answer);
	CHECK(phototie_answer(s, CORRECT, photo.data, photo.len, 0, NULL, &corrected) == PHOTOTIE_BAD_REQUEST && corrected.data == NULL);
	CHECK(phototie_answer(s, COMPARE, photo.data, SIZE_MAX, 0, &answer, NULL) == PHOTOTIE_TOO_LARGE);
	phototie_free(&answer);

	/* Without corrected the bytes are in the answer. */
	CHECK(ask(s, CORRECT, &photo, 0, &answer, NULL) == PHOTOTIE_OK && answer.len > want.len && strstr((char *)answer.data, "\"photo\":\"/9j/") != NULL);
	phototie_free(&answer);

	/* The limit is that of request and photo together. */
	CHECK(phototie_open(strlen(COMPARE) + photo.len, &other, NULL) == PHOTOTIE_OK);
	CHECK(is(other, COMPARE, &photo, PHOTOTIE_OK, "\"compare\""));
	CHECK(is(other, COMPARE " ", &photo, PHOTOTIE_TOO_LARGE, "\"too-large\""));
	CHECK(phototie_close(other) == PHOTOTIE_OK);
	CHECK(phototie_close(other) == PHOTOTIE_BAD_REQUEST);
	CHECK(is(other, COMPARE, &photo, PHOTOTIE_BAD_REQUEST, "not open"));
	CHECK(is(s, COMPARE, &photo, PHOTOTIE_OK, "\"compare\"")); /* the other's end is none of this one's */

	phototie_free(&answer);
	phototie_free(NULL);
}

static void *many(void *arg)
{
	phototie_service s = *(phototie_service *)arg;
	for (int i = 0; i < 20; i++) {
		phototie_bytes answer, corrected;
		char id[20], request[200];
		snprintf(id, sizeof id, "\"id\":%d,", i * 1000 + (int)(pthread_self() % 1000));
		snprintf(request, sizeof request, "{%s\"do\":\"%s\"," AT "}", id, i % 2 ? "correct" : "compare");
		CHECK(ask(s, request, &photo, 60000, &answer, &corrected) == PHOTOTIE_OK);
		CHECK(strstr((char *)answer.data, id) != NULL);
		CHECK(i % 2 ? corrected.len == want.len && memcmp(corrected.data, want.data, want.len) == 0 : corrected.data == NULL);
		phototie_free(&answer);
		phototie_free(&corrected);
		phototie_service own = open_one(); /* opened and closed beside those that work */
		CHECK(phototie_close(own) == PHOTOTIE_OK);
	}
	return NULL;
}

/* until checks the job again and again, until that is cancelled, or the service closed. */
static void *until(void *arg)
{
	phototie_service s = *(phototie_service *)arg;
	phototie_bytes answer;
	phototie_status status;
	while ((status = ask(s, check, NULL, 0, &answer, NULL)) == PHOTOTIE_OK)
		phototie_free(&answer);
	CHECK(strstr((char *)answer.data, status == PHOTOTIE_CANCELLED ? "\"cancelled\"" : "not open") != NULL);
	phototie_free(&answer);
	return arg;
}

static void ends(phototie_service s)
{
	phototie_bytes answer;
	pthread_t t;
	CHECK(ask(s, check, NULL, 1, &answer, NULL) == PHOTOTIE_CANCELLED);
	phototie_free(&answer);

	CHECK(pthread_create(&t, NULL, until, &s) == 0);
	usleep(20000);
	CHECK(phototie_cancel(s) == PHOTOTIE_OK);
	while (pthread_tryjoin_np(t, NULL) != 0) { /* between two of its calls there was nothing to cancel */
		usleep(5000);
		phototie_cancel(s);
	}
	CHECK(is(s, COMPARE, &photo, PHOTOTIE_OK, "\"compare\"")); /* it stays open */
}

static void forked(phototie_service s)
{
	int status;
	pid_t child = fork();
	if (child == 0) {
		alarm(30); /* where it hangs */
		phototie_bytes answer;
		phototie_service other;
		CHECK(ask(s, COMPARE, &photo, 0, &answer, NULL) == PHOTOTIE_BROKEN && strstr((char *)answer.data, "\"broken\"") != NULL);
		phototie_free(&answer);
		CHECK(phototie_open(0, &other, &answer) == PHOTOTIE_BROKEN && answer.len > 0 && other == 0);
		phototie_free(&answer);
		CHECK(phototie_cancel(s) == PHOTOTIE_BROKEN && phototie_close(s) == PHOTOTIE_BROKEN);
		_exit(failed);
	}
	CHECK(child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status) && WEXITSTATUS(status) == 0);
	CHECK(is(s, COMPARE, &photo, PHOTOTIE_OK, "\"compare\""));
}

int main(int argc, char **argv)
{
	phototie_service s = open_one();
	if (argc > 1 && strcmp(argv[1], "ask") == 0) {
		for (int i = 2; i + 1 < argc; i += 2) {
			phototie_bytes answer, corrected, request = slurp(argv[i]), image = slurp(argv[i + 1]);
			int status = ask(s, (char *)request.data, &image, 0, &answer, &corrected);
			printf("%d\t%s\n", status, answer.data);
			phototie_free(&answer);
			phototie_free(&corrected);
			free(request.data);
			free(image.data);
		}
		return phototie_close(s) != PHOTOTIE_OK || failed;
	}
	if (argc == 5 && strcmp(argv[1], "loop") == 0) {
		for (int i = atoi(argv[2]); i > 0; i--) {
			phototie_bytes answer, corrected, request = slurp(argv[3]), image = slurp(argv[4]);
			CHECK(phototie_answer(s, (char *)request.data, image.data, image.len, 0, &answer, &corrected) == PHOTOTIE_OK);
			phototie_free(&answer);
			phototie_free(&corrected);
			free(request.data);
			free(image.data);
		}
		return failed;
	}
	if (argc != 4)
		return 2;
	photo = slurp(argv[1]);
	want = slurp(argv[2]);
	snprintf(check, sizeof check, "{\"do\":\"check\",\"dataset\":\"%s\"}", argv[3]);

	CHECK(phototie_version() == PHOTOTIE_VERSION);
	statuses(s);
	arguments(s);
	pthread_t t[8];
	for (int i = 0; i < 8; i++)
		CHECK(pthread_create(&t[i], NULL, many, &s) == 0);
	for (int i = 0; i < 8; i++)
		CHECK(pthread_join(t[i], NULL) == 0);
	ends(s);
	forked(s);

	/* Closing ends what is under way, and waits for it. */
	phototie_service last = open_one();
	CHECK(pthread_create(&t[0], NULL, until, &last) == 0);
	usleep(50000);
	CHECK(phototie_close(last) == PHOTOTIE_OK);
	CHECK(pthread_join(t[0], NULL) == 0);
	CHECK(phototie_close(s) == PHOTOTIE_OK);
	free(photo.data);
	free(want.data);
	return failed;
}
