// Command libphototie is the library that programs in other languages call: a service
// of package service behind the C interface of phototie.h, which documents it. "make
// libphototie" builds it in bin, as a shared library and as an archive for static
// linking:
//
//	gcc -Ibin -o bin/one examples/c/one.c bin/libphototie.a $(pkg-config --libs proj) -lpthread
//
// examples/c, examples/python and examples/node compare and correct a photo by it.
//
// # What a call costs
//
// BenchmarkWays takes 300 photos of 4 MiB, each from its file and one after the other, in
// each of the ways in which a program gets at phototie. Processor time a photo, against
// the same done by package single in a loop, and the most memory of the process:
//
//	compare  package single          1.0    48 MiB    some 950 photos a second and processor
//	         phototie serve --stdio  1.2    54 MiB
//	         the C interface         1.2    52 MiB
//	         phototie compare       71      49 MiB    a process for each photo
//	correct  package single          1.0    90 MiB    some 115 photos a second and processor
//	         phototie serve --stdio  1.5   151 MiB    the corrected photo in base64
//	         the C interface         1.4    66 MiB
//
// Most of a correction is the digests of the photo before and after, which are in the
// answer.
package main
