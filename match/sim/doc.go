// Package sim draws survey walks: points, the photos taken of them, their tags
// with the noise of a handheld, the links of the crew, and blunders planted on
// purpose, with the truth beside it all.
package sim
