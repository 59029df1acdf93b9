// Package intake finds out what a folder from the field holds: the photos, the points
// file, the list of which photo shows which point, and the system that the points are
// in, by what is in the files and whatever they are called. What it finds becomes a
// [Draft] of the job's settings with the reason for each; what the files leave open is
// marked in it, so that a check refuses until somebody has decided.
//
// Errors are those of reading the folder, of the search and of the context, wrapped for
// errors.Is; errors.As finds a *problem.Problem where somebody can put it right. The
// functions are safe for concurrent use.
package intake
