// Package cause explains what is out in a checked job.
package cause
