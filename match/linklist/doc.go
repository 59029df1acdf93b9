// Package linklist reads lists of which photo shows which point in whatever layout
// a crew keeps them: tables with their columns in any order, with headings or none;
// several photos in a cell or in columns beside a point; blocks of a report
// ("K7: a.jpg, b.jpg"); HTML, XML and JSON.
//
// It has no list of layouts. It knows the photos that are there and the points that
// were surveyed, finds their names in the text, and ties by nearness in the text's
// own structure: what stands in one row, line, element or object belongs together,
// and so do lines that are set in below another, and lines of a paragraph; where
// that has photos only, they belong to the point of the heading above. Names of
// photos may lack folder or ending, and may differ in case and Unicode form where
// that leaves one photo. Of several columns (keys, elements) with ids of points the
// one counts whose heading says so, or that is full of them where others have few.
//
// What may mean two things is refused, with the line and what to do: nothing is
// tied by a guess. So a number of a row or a time is no id, a run of photos ("IMG_0011
// to IMG_0014") is not two, and photos above a point and below another are neither's.
// [List] says for each link where it stands, and what was passed
// over.
//
// An error is a *problem.Problem, with the line, which errors.As finds. Read is safe for
// concurrent use.
package linklist
