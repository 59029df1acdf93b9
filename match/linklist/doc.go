// Package linklist reads lists of which photo shows which point in whatever layout
// a crew keeps them: tables with their columns in any order, with headings or none;
// several photos in a cell or in columns beside a point; blocks of a report
// ("K7: a.jpg, b.jpg"); HTML, XML and JSON.
//
// It has no list of layouts. It knows the photos that are there and the points that
// were surveyed, finds their names in the text, and ties by nearness in the text's
// own structure: what stands in one row, line, element or object belongs together;
// where that has photos only, they belong to the point of the heading above. Names
// of photos may lack folder or ending, and may differ in case and Unicode form.
//
// What may mean two things is refused, with the line and what to do: nothing is
// tied by a guess. [List] says for each link where it stands, and what was passed
// over.
package linklist
