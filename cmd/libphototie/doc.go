// Command libphototie is the library that programs in other languages call: a service
// of package service behind the C interface of phototie.h, which documents it. "make
// libphototie" builds it in bin, as a shared library and as an archive for static
// linking:
//
//	gcc -Ibin -o bin/one examples/c/one.c bin/libphototie.a $(pkg-config --libs proj) -lpthread
//
// examples/c, examples/python and examples/node compare and correct a photo by it.
package main
