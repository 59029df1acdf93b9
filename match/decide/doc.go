// Package decide has the step between a checked job and a decided one: a page that
// shows each photo that needs a decision with all that speaks for one, and takes the
// decision; and the list of what is to be taken again.
//
// The page is one HTML file without a server or a network. It saves a file of
// decisions, which dataset.Dataset.Check reads.
//
// Errors are those of the io.Writer, of the dataset's files and of the context, wrapped for
// errors.Is. The functions are safe for concurrent use.
package decide
