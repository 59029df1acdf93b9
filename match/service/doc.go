// Package service answers requests for one photo, or one job, from a program that
// stays: cmd/phototie offers it on standard input and output, cmd/libphototie to programs
// that call C, and a program with another channel calls [Service.Answer] for each
// request. Systems are opened once and kept.
//
// # Protocol, version 1
//
// [Service.Serve] reads requests and writes responses, a JSON object a line (JSON
// Lines, UTF-8). There is one response a request, in the order of the requests, while
// several are worked on at a time. Fields that are not known are refused. Schema
// serve-1.json of package report describes both.
//
//	{"id":1,"do":"compare","crs":"EPSG:2157","e":690242.043,"n":604873.007,"path":"a.jpg"}
//	{"id":2,"do":"correct","crs":"EPSG:2157","e":690242.043,"n":604873.007,"photo":"/9j/4AAQ…"}
//	{"id":3,"do":"check","dataset":"job"}
//	{"id":4,"do":"cancel","of":3}
//
// id is any JSON value and comes back in the response, which else has version and one of
//
//   - compare: the document of "phototie compare --format json";
//   - correct: what became of the photo, with the comparison it follows from; the
//     corrected bytes are in photo (base64, RFC 4648) or in the new file that into
//     named, and reverse is the patch that takes them back;
//   - check: the document of "phototie check --format json";
//   - cancel: whether the request was still under way, which then ends with an error;
//   - error: a code of [Code] and a message.
//
// A photo comes by path or by its bytes in photo, base64, with a name for the results if
// it has one. A position is in the unit of
// the system, easting first. sigma_m is the survey's standard deviation per axis,
// handheld_m, standoff_m and confidence change the budget, datum and epoch are for tags
// that state none, and only names the verdicts that are corrected (within, if none is).
// A request that can't be read ends nothing: its response has an error, and id null if
// there was none to be found.
//
// [ParseRequest] returns an [*Error], which errors.As finds; [Service.Answer] returns none,
// and the errors of [Service.Serve] are those of its reader, its writer and its context,
// for errors.Is.
package service
