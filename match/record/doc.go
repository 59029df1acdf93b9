// Package record writes the printable photo record of a checked job.
package record
