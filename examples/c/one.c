/* Compares a photo with the surveyed position of what it shows, and corrects it. From the top:
 *
 *     make libphototie && gcc -Ibin -o bin/one examples/c/one.c -Lbin -lphototie -Wl,-rpath,"$PWD/bin" &&
 *         bin/one photo.jpg EPSG:2157 690242.043 604873.007 corrected.jpg
 */
#include <stdio.h>
#include <stdlib.h>
#include "phototie.h"

int main(int argc, char **argv)
{
	if (argc != 6)
		return fprintf(stderr, "usage: one PHOTO CRS E N CORRECTED\n"), 2;
	FILE *f = fopen(argv[1], "rb");
	if (f == NULL || fseek(f, 0, SEEK_END) != 0)
		return perror(argv[1]), 2;
	size_t len = ftell(f);
	char *photo = malloc(len + 1), request[1000];
	rewind(f);
	if (photo == NULL || fread(photo, 1, len, f) != len)
		return perror(argv[1]), 2;
	phototie_service service;
	phototie_bytes answer, corrected = {NULL, 0};
	phototie_status status = phototie_open(0, &service, &answer);
	const char *todo[] = {"compare", "correct"};
	for (int i = 0; i < 2 && status == PHOTOTIE_OK; i++) {
		snprintf(request, sizeof request, "{\"do\":\"%s\",\"crs\":\"%s\",\"e\":%s,\"n\":%s}", todo[i], argv[2], argv[3], argv[4]);
		phototie_free(&answer);
		status = phototie_answer(service, request, photo, len, 0, &answer, &corrected);
		printf("%s\n", (char *)answer.data);
	}
	if (corrected.len > 0 && ((f = fopen(argv[5], "wbx")) == NULL || fwrite(corrected.data, 1, corrected.len, f) != corrected.len || fclose(f) != 0))
		return perror(argv[5]), 2;
	phototie_free(&answer);
	phototie_free(&corrected);
	return phototie_close(service), free(photo), status != PHOTOTIE_OK;
}
