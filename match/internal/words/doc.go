// Package words puts what match and its packages know into words: counts,
// lengths, probabilities, times, lists, the sentences of findings, and texts from
// outside that are made safe to print. One figure reads the same wherever it is
// written. The package takes figures with their units and gives text; it computes
// nothing, and knows no format.
package words
