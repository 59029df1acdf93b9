package linklist_test

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/unicode/norm"

	"example.com/phototie/match"
	"example.com/phototie/match/linklist"
	"example.com/phototie/match/problem"
)

// A layout is a list as somebody might keep it. The lists were made up from how
// crews and offices write, and the expectations from what a colleague would take
// the list to mean (common practice, no source), by a writer who had not read the
// reader.
type layout struct {
	name, file, text string
	// The job: quay and points unless others are given, separated by "|".
	photos, points string
	opt            linklist.Options
	encode         func(t *testing.T, text string) []byte
	// What the list means: "photo=point, ...", where 11 is IMG_0011.JPG.
	links string
	// Photos left without a point, names without a photo ("name" or "name=point"),
	// and "photo=what stands in a point's place".
	untied, unknownPhotos, unknownPoints string
	// Photos that must not be tied, and be among the untied or the unknown points.
	open string
	// Refused lists are an error at line (0: any) that says each of the words.
	refused bool
	line    int
	says    string
	// A list that a careful colleague might ask about may be refused as well as read;
	// read in another way than meant it may not be.
	either bool
}

const (
	quay       = "IMG_0011.JPG|IMG_0012.JPG|IMG_0013.JPG|IMG_0014.JPG|IMG_0015.JPG|IMG_0016.JPG|IMG_0017.JPG|IMG_0018.JPG"
	bollards   = "B01|B02|B03|B04|L01|L02|F07|BM 1"
	numbers    = "1|2|3|4|5|6|7|8|9|10|11|12"
	threeTies  = "11=B01, 12=B02, 13=B03"
	fourOfTwo  = "11=B01, 12=B01, 13=B02, 14=B02"
	numberTies = "11=3, 12=1, 13=2"
)

func inUTF16(order unicode.Endianness, mark unicode.BOMPolicy) func(*testing.T, string) []byte {
	return func(t *testing.T, text string) []byte {
		b, err := unicode.UTF16(order, mark).NewEncoder().Bytes([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
}

func inWindows1252(t *testing.T, text string) []byte {
	b, err := charmap.Windows1252.NewEncoder().Bytes([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func withMark(_ *testing.T, text string) []byte { return []byte("\uFEFF" + text) }

var layouts = []layout{
	// Tables as text.
	{name: "commas, headings", file: "links.csv", text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0012.JPG,B02\nIMG_0013.JPG,B03\n", links: threeTies},
	{name: "semicolons, German headings, point first", file: "bilder.csv", text: "Punkt;Beschreibung;Bild\nB01;Poller, rostig;IMG_0011.JPG\nB02;Poller;IMG_0012.JPG\nB03;Poller;IMG_0013.JPG\n", links: threeTies},
	{name: "tabs, no headings", file: "ties.txt", text: "IMG_0011.JPG\tB01\nIMG_0012.JPG\tB02\nIMG_0013.JPG\tB03\n", links: threeTies},
	{name: "pipes with a rule", file: "list.md", text: `
| Point | Kind    | Photo        |
|-------|:-------:|--------------|
| B01   | bollard | IMG_0011.JPG |
| B02   | bollard | IMG_0012.JPG |
| L01   | ladder  | IMG_0013.JPG |
`, links: "11=B01, 12=B02, 13=L01"},
	{name: "fixed columns with a rule", file: "list.txt", text: `
PT     DESCRIPTION            IMAGE           TIME
-----  ---------------------  --------------  -----
B01    bollard, east end      IMG_0011.JPG    09:14
B02    bollard                IMG_0012.JPG    09:17
BM 1   bench mark in kerb     IMG_0013.JPG    09:25
`, links: "11=B01, 12=B02, 13=BM 1"},
	{name: "titles and footers with figures that are ids", file: "export.csv", points: numbers, text: `Port Velland quay furniture
Sheet 2 of 3
Crew: 2 people

Photo;Point
IMG_0011.JPG;3
IMG_0012.JPG;1
IMG_0013.JPG;2

Photos: 3
Page 2
`, links: numberTies},
	{name: "numbering column, point column by its heading", file: "list.csv", points: numbers, text: "No.,Photo,Point\n1,IMG_0011.JPG,3\n2,IMG_0012.JPG,1\n3,IMG_0013.JPG,2\n", links: numberTies},
	{name: "numbering column, no headings", file: "list.csv", points: numbers, text: "1,IMG_0011.JPG,3\n2,IMG_0012.JPG,1\n3,IMG_0013.JPG,2\n", refused: true, line: 1},
	{name: "numbering column, headings say nothing", file: "list.csv", points: numbers, text: "A,B,C\n1,IMG_0011.JPG,3\n2,IMG_0012.JPG,1\n3,IMG_0013.JPG,2\n", refused: true},
	{name: "numbering column, headings given", file: "list.csv", points: numbers, opt: linklist.Options{PhotoFields: []string{"b"}, PointFields: []string{"c"}}, text: "A,B,C\n1,IMG_0011.JPG,3\n2,IMG_0012.JPG,1\n3,IMG_0013.JPG,2\n", links: numberTies},
	{name: "dates, coordinates, a remark that mentions points", file: "collector.csv", text: `photo,date,time,e,n,h,point,remark
IMG_0011.JPG,2026-05-14,09:14:07,512233.412,731882.118,4.211,B01,towards B02
IMG_0012.JPG,2026-05-14,09:17:33,512241.006,731884.930,4.207,B02,
IMG_0013.JPG,2026-05-14,09:21:50,512249.871,731888.004,4.198,B03,"same chain as L01, L02"
`, links: threeTies},
	{name: "a remark that mentions a photo", file: "links.csv", text: "Photo,Point,Remark\nIMG_0011.JPG,B01,\nIMG_0012.JPG,B02,see IMG_0018.JPG for the other side\nIMG_0013.JPG,B03,dull\n", links: threeTies, untied: "18"},
	{name: "photos in a cell by commas", file: "links.csv", text: "point,photos\nB01,\"IMG_0011.JPG, IMG_0012.JPG\"\nB02,\"IMG_0013.JPG,IMG_0014.JPG\"\n", links: fourOfTwo},
	{name: "photos in a cell by semicolons", file: "links.csv", text: "point,photos\nB01,IMG_0011.JPG;IMG_0012.JPG\nB02,IMG_0013.JPG;IMG_0014.JPG\n", links: fourOfTwo},
	{name: "photos in a cell by line breaks", file: "links.csv", text: "point,photos\r\nB01,\"IMG_0011.JPG\nIMG_0012.JPG\"\r\nB02,\"IMG_0013.JPG\nIMG_0014.JPG\"\r\n", links: fourOfTwo},
	{name: "photos in a cell by spaces", file: "links.tsv", text: "point\tphotos\nB01\tIMG_0011.JPG IMG_0012.JPG\nB02\tIMG_0013.JPG IMG_0014.JPG\n", links: fourOfTwo},
	{name: "photos in a cell by and", file: "links.tsv", text: "point\tphotos\nB01\tIMG_0011.JPG and IMG_0012.JPG\nB02\tIMG_0013.JPG & IMG_0014.JPG\n", links: fourOfTwo},
	{name: "photos in columns, some empty", file: "links.csv", text: "Id,Photo 1,Photo 2,Photo 3\nB01,IMG_0011.JPG,IMG_0012.JPG,\nB02,IMG_0013.JPG,,\nL01,IMG_0014.JPG,IMG_0015.JPG,IMG_0016.JPG\n", links: "11=B01, 12=B01, 13=B02, 14=L01, 15=L01, 16=L01"},
	{name: "rows of unequal length", file: "links.csv", text: "B01,IMG_0011.JPG,IMG_0012.JPG\nB02,IMG_0013.JPG\nL01,IMG_0014.JPG,IMG_0015.JPG,IMG_0016.JPG\n", links: "11=B01, 12=B01, 13=B02, 14=L01, 15=L01, 16=L01"},
	{name: "a photo of several points in a cell", file: "links.csv", text: "photo;points\nIMG_0011.JPG;B01\nIMG_0012.JPG;B01, B02\nIMG_0013.JPG;B03\n", links: "11=B01, 12=B01, 12=B02, 13=B03"},
	{name: "a photo of several points in rows", file: "links.csv", text: "photo;point\nIMG_0011.JPG;B01\nIMG_0011.JPG;B02\nIMG_0011.JPG;L01\n", links: "11=B01, 11=B02, 11=L01"},
	{name: "the same row twice", file: "links.csv", text: "photo;point\nIMG_0011.JPG;B01\nIMG_0011.JPG;B01\nIMG_0012.JPG;B02\n", links: "11=B01, 12=B02"},
	{name: "two columns of ids", file: "links.csv", text: "photo,from,to\nIMG_0011.JPG,B01,B02\nIMG_0012.JPG,B02,B03\nIMG_0013.JPG,B03,B04\n", refused: true},
	{name: "two columns of ids, heading given", file: "links.csv", opt: linklist.Options{PointFields: []string{"TO"}}, text: "photo,from,to\nIMG_0011.JPG,B01,B02\nIMG_0012.JPG,B02,B03\nIMG_0013.JPG,B03,B04\n", links: "11=B02, 12=B03, 13=B04"},
	{name: "two columns of ids, no headings", file: "links.csv", text: "IMG_0011.JPG,B01,B02\nIMG_0012.JPG,B02,B03\nIMG_0013.JPG,B03,B04\n", refused: true, line: 1},
	{name: "several photos and several points in a row", file: "links.csv", text: "photos;points\nIMG_0011.JPG;B01\n\"IMG_0012.JPG, IMG_0013.JPG\";\"B02, B03\"\n", refused: true, line: 3},
	{name: "two tables side by side", file: "links.csv", text: "Photo,Point,,Photo,Point\nIMG_0011.JPG,B01,,IMG_0013.JPG,B03\nIMG_0012.JPG,B02,,IMG_0014.JPG,B04\n", links: "11=B01, 12=B02, 13=B03, 14=B04", either: true},
	{name: "points across, photos below", file: "links.csv", text: "Point,B01,B02,B03\nPhoto,IMG_0011.JPG,IMG_0012.JPG,IMG_0013.JPG\n", links: threeTies, either: true},
	{name: "a cross in the point's column", file: "matrix.csv", text: "Photo;B01;B02;B03\nIMG_0011.JPG;x;;\nIMG_0012.JPG;;x;\nIMG_0013.JPG;;;x\n", links: threeTies, either: true},
	{name: "id and description in one cell", file: "links.csv", text: "Photo,Object\nIMG_0011.JPG,B01 - bollard\nIMG_0012.JPG,\"B02 - bollard, loose\"\nIMG_0013.JPG,B03 - bollard\n", links: threeTies},
	{name: "a merged cell, undecided", file: "links.csv", text: "Point,Photo\nB01,IMG_0011.JPG\n,IMG_0012.JPG\nB02,IMG_0013.JPG\n,IMG_0014.JPG\n", refused: true},
	{name: "a merged cell, filled down", file: "links.csv", opt: linklist.Options{FillDown: new(true)}, text: "Point,Photo\nB01,IMG_0011.JPG\n,IMG_0012.JPG\nB02,IMG_0013.JPG\n,IMG_0014.JPG\n", links: fourOfTwo},
	{name: "empty points mean none", file: "links.csv", opt: linklist.Options{FillDown: new(false)}, text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0012.JPG,\nIMG_0013.JPG,B03\n", links: "11=B01, 13=B03", untied: "12"},
	{name: "none, n/a and dashes in the point's place", file: "links.csv", text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0012.JPG,none\nIMG_0013.JPG,B03\nIMG_0014.JPG,n/a\nIMG_0015.JPG,-\n", links: "11=B01, 13=B03", open: "12, 14, 15"},
	{name: "a photo that is not there", file: "links.csv", text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0911.JPG,B02\nIMG_0013.JPG,B03\n", links: "11=B01, 13=B03", unknownPhotos: "IMG_0911.JPG"},
	{name: "a point that is not there", file: "links.csv", text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0012.JPG,B99\nIMG_0013.JPG,B03\n", links: "11=B01, 13=B03", unknownPoints: "12=B99"},
	{name: "comment lines, CRLF", file: "links.csv", text: "# from the second crew, B04 not done\r\nphoto,point\r\nIMG_0011.JPG,B01\r\nIMG_0012.JPG,B02\r\nIMG_0013.JPG,B03\r\n", links: threeTies},
	{name: "separator line first", file: "links.csv", text: "sep=;\r\nphoto;point\r\nIMG_0011.JPG;B01\r\nIMG_0012.JPG;B02\r\nIMG_0013.JPG;B03\r\n", links: threeTies},
	{name: "lines that end as on old machines", file: "links.csv", text: "photo,point\rIMG_0011.JPG,B01\rIMG_0012.JPG,B02\rIMG_0013.JPG,B03\r", links: threeTies},
	{name: "dates with the month in letters whose day is an id", file: "links.txt", points: "5|11|30|14", text: "30-Nov-2026 14:05 IMG_0011.JPG 5\n30-Nov-2026 14:11 IMG_0012.JPG 11\n30 November 2026 2:30 PM IMG_0013.JPG 30\n", links: "11=5, 12=11, 13=30"},
	{name: "times and dates whose parts are ids", file: "links.csv", points: "5|9|14|17|21|26", text: "14.05.26;09:14;IMG_0011.JPG;5\n14.05.26;09:17;IMG_0012.JPG;9\n14.05.26;09:21;IMG_0013.JPG;21\n", links: "11=5, 12=9, 13=21"},
	{name: "whole metres that are ids", file: "links.txt", points: "4|5|21|22|23", text: "Photo          Point  Level\nIMG_0011.JPG   21     4\nIMG_0012.JPG   22     4\nIMG_0013.JPG   23     5\n", links: "11=21, 12=22, 13=23", either: true},
	{name: "Russian headings", file: "links.csv", text: "Фото;Точка\nIMG_0011.JPG;B01\nIMG_0012.JPG;B02\nIMG_0013.JPG;B03\n", links: threeTies},
	{name: "Japanese headings", file: "links.tsv", text: "番号\t点名\t写真\n1\tB01\tIMG_0011.JPG\n2\tB02\tIMG_0012.JPG\n3\tB03\tIMG_0013.JPG\n", links: threeTies},
	{name: "French headings, accented, quoted", file: "liens.csv", text: "\"Repère\";\"Cliché\"\n\"B01\";\"IMG_0011.JPG\"\n\"B02\";\"IMG_0012.JPG\"\n\"B03\";\"IMG_0013.JPG\"\n", links: threeTies},

	// Lines, blocks and reports.
	{name: "a block to a line", file: "report.txt", text: "B01: IMG_0011.JPG, IMG_0012.JPG\nB02: IMG_0013.JPG, IMG_0014.JPG\n", links: fourOfTwo},
	{name: "a line that goes on", file: "report.txt", text: "B01: IMG_0011.JPG,\n     IMG_0012.JPG\nB02: IMG_0013.JPG,\n     IMG_0014.JPG\n", links: fourOfTwo},
	{name: "headings and indents", file: "report.txt", text: "Quay, 14 May\n\nB01 bollard\n    IMG_0011.JPG\n    IMG_0012.JPG  from the water\n\nB02 bollard\n    IMG_0013.JPG\n    IMG_0014.JPG\n", links: fourOfTwo},
	{name: "headings and bullets", file: "notes.md", text: "# Photos of 14 May\n\n## B01\n\n- IMG_0011.JPG\n- IMG_0012.JPG\n\n## B02\n\n* IMG_0013.JPG\n* IMG_0014.JPG\n", links: fourOfTwo},
	{name: "dashes", file: "notes.txt", text: "B01 - IMG_0011.JPG - IMG_0012.JPG\nB02 - IMG_0013.JPG - IMG_0014.JPG\n", links: fourOfTwo},
	{name: "a numbered list", file: "notes.txt", text: "1. IMG_0011.JPG  B01\n2. IMG_0012.JPG  B02\n3) IMG_0013.JPG  B03\n", links: threeTies},
	{name: "a numbered list of numbered points", file: "notes.txt", points: numbers, text: "1. IMG_0011.JPG, point 3\n2. IMG_0012.JPG, point 1\n3. IMG_0013.JPG, point 2\n", links: numberTies, either: true},
	{name: "arrows", file: "notes.txt", text: "IMG_0011.JPG -> B01\nIMG_0012.JPG → B02\nIMG_0013.JPG => B03\n", links: threeTies},
	{name: "sections and names", file: "ties.ini", text: "[B01]\nphotos = IMG_0011.JPG, IMG_0012.JPG\n\n[B02]\nphotos = IMG_0013.JPG, IMG_0014.JPG\n", links: fourOfTwo},
	{name: "key and value", file: "ties.properties", text: "IMG_0011.JPG = B01\nIMG_0012.JPG = B02\nIMG_0013.JPG = B03\n", links: threeTies},
	{name: "records of labelled lines, photo first", file: "collector.txt", text: "Photo: IMG_0011.JPG\nPoint: B01\nTime: 09:14\n\nPhoto: IMG_0012.JPG\nPoint: B02\nTime: 09:17\n\nPhoto: IMG_0013.JPG\nPoint: B03\nTime: 09:21\n", links: threeTies, either: true},
	{name: "records of labelled lines, point first", file: "collector.txt", text: "Point: B01\nTime: 09:14\nPhoto: IMG_0011.JPG\n\nPoint: B02\nTime: 09:17\nPhoto: IMG_0012.JPG\n\nPoint: B03\nTime: 09:21\nPhoto: IMG_0013.JPG\n", links: threeTies},
	{name: "captions below the pictures, in paragraphs", file: "album.txt", text: "IMG_0011.JPG\nB01 bollard\n\nIMG_0012.JPG\nB02 bollard\n\nIMG_0013.JPG\nB03 bollard\n", links: threeTies, either: true},
	{name: "captions below the pictures, no gaps", file: "album.txt", text: "IMG_0011.JPG\nB01\nIMG_0012.JPG\nB02\nIMG_0013.JPG\nB03\n", refused: true},
	{name: "records of hyphens and keys", file: "ties.yaml", text: "- photo: IMG_0011.JPG\n  point: B01\n- photo: IMG_0012.JPG\n  point: B02\n- photo: IMG_0013.JPG\n  point: B03\n", links: threeTies, either: true},
	{name: "records of hyphens, a sequence of photos", file: "ties.yaml", text: "points:\n  - id: B01\n    photos:\n      - IMG_0011.JPG\n      - IMG_0012.JPG\n  - id: B02\n    photos: [IMG_0013.JPG, IMG_0014.JPG]\n", links: fourOfTwo},
	{name: "a heading of no point", file: "report.txt", text: "B01\n  IMG_0011.JPG\nB02\n  IMG_0012.JPG\nGeneral views\n  IMG_0013.JPG\n  IMG_0014.JPG\n", links: "11=B01, 12=B02", open: "13, 14", either: true},
	{name: "a heading of an unknown point", file: "report.txt", text: "B01:\n  IMG_0011.JPG\nB77:\n  IMG_0012.JPG\nB03:\n  IMG_0013.JPG\n", links: "11=B01, 13=B03", open: "12", either: true},
	{name: "a heading that mentions a second point", file: "report.txt", text: "B01 bollard\n  IMG_0011.JPG\nB02 bollard, 3 m east of B01\n  IMG_0012.JPG\nB03 bollard\n  IMG_0013.JPG\n", links: threeTies, either: true},
	{name: "letters, quoted", file: "mail.txt", text: "Hi Nora,\n\nhere is which is which:\n\n> B01: IMG_0011.JPG\n> B02: IMG_0012.JPG\n> B03: IMG_0013.JPG\n\nThe rest tomorrow.\nTom\n", links: threeTies},
	{name: "a sentence to a photo", file: "mail.txt", text: "IMG_0011.JPG shows B01.\nIn IMG_0012.JPG you can see B02.\nB03 is in IMG_0013.JPG.\n", links: threeTies},
	{name: "two photos and two points in a sentence", file: "mail.txt", text: "IMG_0011.JPG shows B01.\nIMG_0012.JPG is B02 and IMG_0013.JPG is B03.\n", refused: true, line: 2},
	{name: "last digits only", file: "mail.txt", text: "B01 is 11, B02 is 12, and 13 is B03.\n", refused: true},
	{name: "a range of photos", file: "notes.txt", text: "B01: IMG_0011.JPG - IMG_0014.JPG\nB02: IMG_0015.JPG\n", refused: true, line: 1},
	{name: "ticks", file: "todo.txt", text: "[x] B01 IMG_0011.JPG\n[x] B02 IMG_0012.JPG\n[ ] L01\n[x] B03 IMG_0013.JPG\n", links: threeTies},
	{name: "points by commas, then photos by commas", file: "notes.txt", text: "B01, B02: IMG_0011.JPG, IMG_0012.JPG\nB03: IMG_0013.JPG\n", refused: true, line: 1},
	{name: "two points on a photo", file: "notes.txt", text: "IMG_0011.JPG: B01, B02\nIMG_0012.JPG: B03\n", links: "11=B01, 11=B02, 12=B03"},
	{name: "a list of photos alone", file: "photos.txt", text: "IMG_0011.JPG\nIMG_0012.JPG\nIMG_0013.JPG\n", refused: true},
	{name: "a list of points alone", file: "points.csv", text: "id,e,n\nB01,512233.412,731882.118\nB02,512241.006,731884.930\n", refused: true},
	{name: "a list of another job", file: "links.csv", text: "Photo,Point\nP5140001.JPG,N1\nP5140002.JPG,N2\n", refused: true},
	{name: "nothing", file: "links.csv", text: "", refused: true},

	// HTML.
	{name: "a table with thumbnails and links", file: "record.html", text: `<!DOCTYPE html><html><head><title>Quay 2 of 3</title><style>td{width:12px}</style></head><body><h1>Photo record</h1>
<table><thead><tr><th>Point</th><th>Photo</th><th>Taken</th></tr></thead><tbody>
<tr><td>B01</td><td><a href="full/IMG_0011.JPG"><img src="thumbs/IMG_0011.JPG" alt=""></a></td><td>09:14</td></tr>
<tr><td>B02</td><td><a href="full/IMG_0012.JPG"><img src="thumbs/IMG_0012.JPG" alt=""></a></td><td>09:17</td></tr>
<tr><td>B03</td><td><a href="full/IMG_0013.JPG"><img src="thumbs/IMG_0013.JPG" alt=""></a></td><td>09:21</td></tr>
</tbody></table></body></html>`, links: threeTies},
	{name: "a table with merged cells", file: "record.htm", text: `<table border=1>
<tr><th>Pt<th>Image
<tr><td rowspan="2">B01</td><td>IMG_0011.JPG</td></tr>
<tr><td>IMG_0012.JPG</td></tr>
<tr><td rowspan="2">B02</td><td>IMG_0013.JPG</td></tr>
<tr><td>IMG_0014.JPG</td></tr>
</table>`, links: fourOfTwo},
	{name: "a spreadsheet saved as a page", file: "sheet.html", text: `<html xmlns="http://www.w3.org/TR/REC-html40"><body><table><tr height=20><td><font face="Arial"><b>Foto</b></font></td><td><font><b>Punkt</b></font></td><td>&nbsp;</td></tr>
<tr><td><font>IMG_0011.JPG</font></td><td><font>B01</font></td><td>&nbsp;</td></tr>
<tr><td><font>IMG_0012.JPG</font></td><td><font>B02</font></td><td>&nbsp;</td></tr>
<tr><td><font>IMG_0013.JPG</font></td><td><font><span>B</span>03</font></td><td>&nbsp;</td></tr></table></body></html>`, links: threeTies},
	{name: "headings and pictures", file: "page.html", text: `<body><h2>B01</h2><p>A bollard.</p><img src="img/IMG_0011.JPG"><img src="img/IMG_0012.JPG"><h2>B02</h2><p><img src="img/IMG_0013.JPG"> <img src="img/IMG_0014.JPG"></p></body>`, links: fourOfTwo},
	{name: "a heading of no point on a page", file: "page.html", text: `<body><h2>B01</h2><img src="img/IMG_0011.JPG"><h2>B02</h2><img src="img/IMG_0012.JPG"><h2>Overviews</h2><img src="img/IMG_0013.JPG"></body>`, links: "11=B01, 12=B02", open: "13", either: true},
	{name: "figures with captions", file: "page.html", text: `<figure><img src="IMG_0011.JPG"><figcaption>B01 – bollard, from the west</figcaption></figure>
<figure><img src="IMG_0012.JPG"><figcaption>B02 – bollard</figcaption></figure>
<figure><img src="IMG_0013.JPG"><figcaption>B03 – bollard</figcaption></figure>`, links: threeTies},
	{name: "a definition list", file: "page.html", text: `<dl><dt>B01<dd>IMG_0011.JPG<dd>IMG_0012.JPG<dt>B02<dd>IMG_0013.JPG<dd>IMG_0014.JPG</dl>`, links: fourOfTwo},
	{name: "lists in lists", file: "page.html", text: `<ul><li>B01<ul><li>IMG_0011.JPG</li><li>IMG_0012.JPG</li></ul></li><li>B02<ul><li>IMG_0013.JPG</li><li>IMG_0014.JPG</li></ul></li></ul>`, links: fourOfTwo},
	{name: "cards of divisions", file: "page.html", text: `<div class="grid"><div class="card"><div class="pic"><a href="IMG_0011.JPG">view</a></div><div class="id">B01</div></div><div class="card"><div class="pic"><a href="IMG_0012.JPG">view</a></div><div class="id">B02</div></div><div class="card"><div class="pic"><a href="IMG_0013.JPG">view</a></div><div class="id">B03</div></div></div>`, links: threeTies},
	{name: "escaped names in links", file: "page.html", photos: "North gate 1.jpg|North gate 2.jpg|Brücke.jpg", text: `<ul><li>B01 <a href="pics/North%20gate%201.jpg">see</a><li>B02 <a href="pics/North%20gate%202.jpg">see</a><li>B03 <a href="pics/Br%C3%BCcke.jpg">see</a></ul>`, links: "North gate 1.jpg=B01, North gate 2.jpg=B02, Brücke.jpg=B03"},
	{name: "pages with lines by br", file: "mail.html", text: `<p>B01: IMG_0011.JPG<br>B02: IMG_0012.JPG<br>B03: IMG_0013.JPG</p>`, links: threeTies},

	// XML.
	{name: "attributes", file: "job.xml", text: `<?xml version="1.0"?><job date="2026-05-14"><shot file="IMG_0011.JPG" of="B01"/><shot file="IMG_0012.JPG" of="B02"/><shot file="IMG_0013.JPG" of="B03"/></job>`, links: threeTies},
	{name: "elements", file: "job.xml", text: "<job>\n<shot><file>photos\\IMG_0011.JPG</file><of>B01</of></shot>\n<shot><of>B02</of><file>photos\\IMG_0012.JPG</file></shot>\n<shot><file>photos\\IMG_0013.JPG</file><of>B03</of></shot>\n</job>", links: threeTies},
	{name: "photos within points", file: "job.xml", text: "<survey><mark><name>B01</name><e>512233.4</e><shots><s>IMG_0011.JPG</s><s>IMG_0012.JPG</s></shots></mark><mark><name>B02</name><shots><s>IMG_0013.JPG</s><s>IMG_0014.JPG</s></shots></mark></survey>", links: fourOfTwo},
	{name: "photos within points by attribute, a mark without photo", file: "job.xml", text: "<survey><mark id='B01'><s href='IMG_0011.JPG'/><s href='IMG_0012.JPG'/></mark><mark id='L01'/><mark id='B02'><s href='IMG_0013.JPG'/><s href='IMG_0014.JPG'/></mark></survey>", links: fourOfTwo},
	{name: "namespaces", file: "job.xml", text: `<q:list xmlns:q="urn:example:quay" xmlns:i="urn:example:image"><q:entry i:src="IMG_0011.JPG"><q:mark>B01</q:mark></q:entry><q:entry i:src="IMG_0012.JPG"><q:mark>B02</q:mark></q:entry><q:entry i:src="IMG_0013.JPG"><q:mark>B03</q:mark></q:entry></q:list>`, links: threeTies},
	{name: "several points in a shot", file: "job.xml", text: `<list><shot src="IMG_0011.JPG"><shows>B01</shows><shows>B02</shows></shot><shot src="IMG_0012.JPG"><shows>B03</shows></shot></list>`, links: "11=B01, 11=B02, 12=B03"},
	{name: "numbered elements and numbered points", file: "job.xml", points: numbers, text: "<list>\n<shot a=\"1\" b=\"3\">IMG_0011.JPG</shot>\n<shot a=\"2\" b=\"1\">IMG_0012.JPG</shot>\n<shot a=\"3\" b=\"2\">IMG_0013.JPG</shot>\n</list>", refused: true, line: 2},
	{name: "numbered elements, field given", file: "job.xml", points: numbers, opt: linklist.Options{PointFields: []string{"b"}}, text: "<list>\n<shot a=\"1\" b=\"3\">IMG_0011.JPG</shot>\n<shot a=\"2\" b=\"1\">IMG_0012.JPG</shot>\n<shot a=\"3\" b=\"2\">IMG_0013.JPG</shot>\n</list>", links: numberTies},
	{name: "XML that breaks off", file: "job.xml", text: "<list>\n<shot src=\"IMG_0011.JPG\" of=\"B01\"/>\n<shot src=\"IMG_00", refused: true, line: 3},

	// JSON.
	{name: "objects", file: "ties.json", text: `[{"photo":"IMG_0011.JPG","point":"B01"},{"photo":"IMG_0012.JPG","point":"B02"},{"point":"B03","photo":"IMG_0013.JPG"}]`, links: threeTies},
	{name: "a map of photos", file: "ties.json", text: `{"IMG_0011.JPG":"B01","IMG_0012.JPG":"B02","IMG_0013.JPG":"B03"}`, links: threeTies},
	{name: "a map of points", file: "ties.json", text: `{"B01":["IMG_0011.JPG","IMG_0012.JPG"],"B02":["IMG_0013.JPG","IMG_0014.JPG"]}`, links: fourOfTwo},
	{name: "a map of points and the rest", file: "ties.json", text: `{"B01":["IMG_0011.JPG"],"B02":["IMG_0012.JPG"],"other":["IMG_0013.JPG"]}`, links: "11=B01, 12=B02", open: "13"},
	{name: "nested objects", file: "job.json", text: `{"job":{"date":"2026-05-14","marks":[{"id":"B01","at":{"e":512233.4,"n":731882.1},"media":[{"type":"image","path":"media/IMG_0011.JPG"},{"type":"image","path":"media/IMG_0012.JPG"}]},{"id":"L02","media":[]},{"id":"B02","media":[{"type":"image","path":"media/IMG_0013.JPG"},{"type":"image","path":"media/IMG_0014.JPG"}]}]}}`, links: fourOfTwo},
	{name: "numbers as ids", file: "ties.json", points: "101|102|103", text: `[{"photo":"IMG_0011.JPG","point":103},{"photo":"IMG_0012.JPG","point":101},{"photo":"IMG_0013.JPG","point":102}]`, links: "11=103, 12=101, 13=102"},
	{name: "an object to a line", file: "ties.ndjson", text: "{\"photo\":\"IMG_0011.JPG\",\"point\":\"B01\"}\n{\"photo\":\"IMG_0012.JPG\",\"point\":\"B02\"}\n{\"photo\":\"IMG_0013.JPG\",\"point\":\"B03\"}\n", links: threeTies},
	{name: "rows in arrays", file: "ties.json", text: `[["photo","point"],["IMG_0011.JPG","B01"],["IMG_0012.JPG","B02"],["IMG_0013.JPG","B03"]]`, links: threeTies},
	{name: "features", file: "ties.geojson", text: `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Point","coordinates":[-6.1,53.3]},"properties":{"name":"B01","pics":"IMG_0011.JPG;IMG_0012.JPG"}},{"type":"Feature","geometry":null,"properties":{"name":"B02","pics":"IMG_0013.JPG;IMG_0014.JPG"}}]}`, links: fourOfTwo},
	{name: "a null point", file: "ties.json", text: `[{"photo":"IMG_0011.JPG","point":"B01"},{"photo":"IMG_0012.JPG","point":null},{"photo":"IMG_0013.JPG","point":"B03"}]`, links: "11=B01, 13=B03", open: "12"},
	{name: "two members of ids", file: "ties.json", text: "[\n{\"photo\":\"IMG_0011.JPG\",\"from\":\"B01\",\"to\":\"B02\"},\n{\"photo\":\"IMG_0012.JPG\",\"from\":\"B02\",\"to\":\"B03\"}\n]", refused: true, line: 2},
	{name: "numbered records and numbered points", file: "ties.json", points: numbers, text: `[{"nr":1,"photo":"IMG_0011.JPG","point":3},{"nr":2,"photo":"IMG_0012.JPG","point":1},{"nr":3,"photo":"IMG_0013.JPG","point":2}]`, links: numberTies},
	{name: "JSON that breaks off", file: "ties.json", text: "[\n{\"photo\":\"IMG_0011.JPG\",\"point\":\"B01\"},\n{\"photo\":\"IMG_0012", refused: true, line: 3},

	// Names and encodings.
	{name: "names without folder", file: "links.csv", photos: "photos/day 1/IMG_0011.JPG|photos/day 1/IMG_0012.JPG|photos/day 2/IMG_0013.JPG", text: "Photo,Point\nIMG_0011.JPG,B01\nIMG_0012.JPG,B02\nIMG_0013.JPG,B03\n", links: "photos/day 1/IMG_0011.JPG=B01, photos/day 1/IMG_0012.JPG=B02, photos/day 2/IMG_0013.JPG=B03"},
	{name: "names without ending, other case", file: "links.csv", text: "Photo,Point\nimg_0011,B01\nImg_0012,B02\nIMG_0013,B03\n", links: threeTies},
	{name: "paths of another machine", file: "links.csv", photos: "photos/a/IMG_0011.JPG|photos/a/IMG_0012.JPG|photos/b/IMG_0012.JPG", text: "Photo;Point\nC:\\Users\\Nora\\Quay\\photos\\a\\IMG_0011.JPG;B01\nC:\\Users\\Nora\\Quay\\photos\\a\\IMG_0012.JPG;B02\nC:\\Users\\Nora\\Quay\\photos\\b\\IMG_0012.JPG;B03\n", links: "photos/a/IMG_0011.JPG=B01, photos/a/IMG_0012.JPG=B02, photos/b/IMG_0012.JPG=B03"},
	{name: "a name in two folders", file: "links.csv", photos: "a/IMG_0011.JPG|a/IMG_0012.JPG|b/IMG_0012.JPG", text: "Photo;Point\nIMG_0011.JPG;B01\nIMG_0012.JPG;B02\n", refused: true, line: 3, says: "a/IMG_0012.JPG|b/IMG_0012.JPG"},
	{name: "a name with two endings", file: "links.csv", photos: "IMG_0011.JPG|IMG_0012.JPG|IMG_0012.HEIC", text: "Photo;Point\nIMG_0011;B01\nIMG_0012;B02\n", refused: true, line: 3},
	{name: "two names that differ by case", file: "links.csv", photos: "img_0011.jpg|IMG_0011.JPG|IMG_0012.JPG", text: "Photo;Point\nIMG_0011.JPG;B01\nimg_0011.jpg;B02\nIMG_0012.JPG;B03\n", links: "IMG_0011.JPG=B01, img_0011.jpg=B02, 12=B03"},
	{name: "decomposed names", file: "links.csv", photos: norm.NFD.String("Brücke_1.jpg") + "|Brücke_2.jpg", text: "Bild;Punkt\nBrücke_1.jpg;B01\n" + norm.NFD.String("Brücke_2.jpg") + ";B02\n", links: norm.NFD.String("Brücke_1.jpg") + "=B01, Brücke_2.jpg=B02"},
	{name: "spaces in names, commas", file: "links.csv", photos: "North gate 1.jpg|North gate 2.jpg|gate 1.jpg", text: "North gate 1.jpg,B01\nNorth gate 2.jpg,B02\ngate 1.jpg,B03\n", links: "North gate 1.jpg=B01, North gate 2.jpg=B02, gate 1.jpg=B03"},
	{name: "spaces in names, blocks", file: "notes.txt", photos: "North gate 1.jpg|North gate 2.jpg|North gate 3.jpg", text: "B01: North gate 1.jpg, North gate 2.jpg\nB02: North gate 3.jpg\n", links: "North gate 1.jpg=B01, North gate 2.jpg=B01, North gate 3.jpg=B02"},
	{name: "names of date and time whose parts are ids", file: "links.csv", photos: "2026-05-14 09.14.07.jpg|2026-05-14 09.17.33.jpg|2026-05-14 09.21.50.jpg", points: "5|7|9|14|17|21", text: "Foto;Punkt\n2026-05-14 09.14.07.jpg;9\n2026-05-14 09.17.33.jpg;14\n2026-05-14 09.21.50.jpg;5\n", links: "2026-05-14 09.14.07.jpg=9, 2026-05-14 09.17.33.jpg=14, 2026-05-14 09.21.50.jpg=5"},
	{name: "UTF-8 with mark", file: "links.csv", encode: withMark, text: "IMG_0011.JPG;B01\nIMG_0012.JPG;B02\nIMG_0013.JPG;B03\n", links: threeTies},
	{name: "UTF-16, small end first", file: "links.txt", encode: inUTF16(unicode.LittleEndian, unicode.UseBOM), text: "Foto\tPunkt\r\nIMG_0011.JPG\tB01\r\nIMG_0012.JPG\tB02\r\nIMG_0013.JPG\tB03\r\n", links: threeTies},
	{name: "UTF-16, big end first", file: "links.txt", encode: inUTF16(unicode.BigEndian, unicode.UseBOM), text: "IMG_0011.JPG\tB01\r\nIMG_0012.JPG\tB02\r\nIMG_0013.JPG\tB03\r\n", links: threeTies},
	{name: "Windows-1252", file: "links.csv", encode: inWindows1252, photos: "Brücke_1.jpg|Brücke_2.jpg|Café.jpg", text: "Bild;Punkt;Prüfer\nBrücke_1.jpg;B01;Jörg\nBrücke_2.jpg;B02;Jörg\nCafé.jpg;B03;Jörg\n", links: "Brücke_1.jpg=B01, Brücke_2.jpg=B02, Café.jpg=B03"},

	// Ids.
	{name: "ids with spaces, in lines", file: "notes.txt", points: "BM 1|BM 2|BM 12|1|2", text: "BM 1: IMG_0011.JPG\nBM 2: IMG_0012.JPG\nBM 12: IMG_0013.JPG\n", links: "11=BM 1, 12=BM 2, 13=BM 12"},
	{name: "ids with dashes", file: "notes.txt", points: "Q-04|Q-04-1|Q-04-2|04", text: "Q-04-1 - IMG_0011.JPG\nQ-04 - IMG_0012.JPG\nQ-04-2 - IMG_0013.JPG\n", links: "11=Q-04-1, 12=Q-04, 13=Q-04-2"},
	{name: "ids with dots, beside levels", file: "links.txt", points: "3.1|3.2|3.12|4.2", text: "3.1  IMG_0011.JPG  level 4.21\n3.12 IMG_0012.JPG  level 4.19\n3.2  IMG_0013.JPG  level 4.22\n", links: "11=3.1, 12=3.12, 13=3.2"},
	{name: "ids with dots, a level that is an id", file: "links.txt", points: "3.1|3.2|3.12|4.2", text: "3.1  IMG_0011.JPG  level 4.2\n3.12 IMG_0012.JPG  level 4.19\n3.2  IMG_0013.JPG  level 4.22\n", links: "11=3.1, 12=3.12, 13=3.2", either: true},
	{name: "ids in the names of photos", file: "links.csv", photos: "B01_1.jpg|B01_2.jpg|B02_1.jpg", text: "B01_1.jpg;B02\nB01_2.jpg;B01\nB02_1.jpg;B03\n", links: "B01_1.jpg=B02, B01_2.jpg=B01, B02_1.jpg=B03"},
	{name: "ids in the names of photos and nowhere else", file: "links.csv", photos: "B01_1.jpg|B01_2.jpg|B02_1.jpg", text: "B01_1.jpg\nB01_2.jpg\nB02_1.jpg\n", refused: true},
	{name: "photos named as points", file: "links.csv", photos: "B01.jpg|B02.jpg|B03.jpg", text: "photo;point\nB01.jpg;B02\nB02.jpg;B03\nB03.jpg;B01\n", links: "B01.jpg=B02, B02.jpg=B03, B03.jpg=B01"},
	{name: "photos named as points, without ending", file: "links.csv", photos: "1.jpg|2.jpg|3.jpg", points: "1|2|3", text: "1;2\n2;3\n3;1\n", refused: true},
	{name: "ids that differ by zeros in front", file: "links.csv", points: "7|07|007", text: "IMG_0011.JPG;007\nIMG_0012.JPG;7\nIMG_0013.JPG;07\n", links: "11=007, 12=7, 13=07"},
	{name: "zeros that a spreadsheet took", file: "links.csv", points: "007|7A|011|012", text: "Photo;Point\nIMG_0011.JPG;7\nIMG_0012.JPG;011\nIMG_0013.JPG;012\n", links: "12=011, 13=012", unknownPoints: "11=7"},
	{name: "ids that differ by case", file: "links.csv", points: "b1|B1|B2", text: "IMG_0011.JPG;b1\nIMG_0012.JPG;B1\nIMG_0013.JPG;B2\n", links: "11=b1, 12=B1, 13=B2"},
	{name: "ids in another case", file: "links.csv", text: "photo;point\nIMG_0011.JPG;b01\nIMG_0012.JPG;b02\nIMG_0013.JPG;B03\n", links: threeTies},

	// Written after the reader had been mended by the first ones.
	{name: "decimal commas, a path amid the columns", file: "Liste.csv", text: "Nr;Datum;Rechtswert;Bilddatei;Hochwert;Höhe;Punkt;Bemerkung\n1;14.05.2026;512233,41;DCIM\\100\\IMG_0011.JPG;731882,12;4,21;B01;\n2;14.05.2026;512241,01;DCIM\\100\\IMG_0012.JPG;731884,93;4,21;B02;wie B01\n3;14.05.2026;512249,87;DCIM\\100\\IMG_0013.JPG;731888,00;4,20;B03;\n", links: threeTies},
	{name: "messages, photo and id one after the other", file: "chat.txt", text: "[14/05/26, 09:14:07] Tom: IMG_0011.JPG (file attached)\n[14/05/26, 09:14:30] Tom: B01\n[14/05/26, 09:17:33] Tom: IMG_0012.JPG (file attached)\n[14/05/26, 09:17:50] Tom: B02\n", refused: true},
	{name: "messages with captions", file: "chat.txt", points: "5|9|14|17|26", text: "14/05/26, 09:14 - Tom: IMG_0011.JPG point 5\n14/05/26, 09:17 - Tom: IMG_0012.JPG point 9\n14/05/26, 09:21 - Nora: ok\n14/05/26, 09:22 - Tom: IMG_0013.JPG point 17\n", links: "11=5, 12=9, 13=17"},
	{name: "two cards in a table's row", file: "record.html", text: `<html><body><table>
<tr><td><img src="IMG_0011.JPG"><p>B01 bollard</p></td><td><img src="IMG_0012.JPG"><p>B02 bollard</p></td></tr>
<tr><td><img src="IMG_0013.JPG"><p>B03 bollard</p></td><td></td></tr></table></body></html>`, links: threeTies},
	{name: "rows and cells as elements", file: "sheet.xml", text: `<?xml version="1.0" encoding="windows-1252"?><book><sheet><row><cell><v>Foto</v></cell><cell><v>Punkt</v></cell></row><row><cell><v>IMG_0011.JPG</v></cell><cell><v>B01</v></cell></row><row><cell><v>IMG_0012.JPG</v></cell><cell><v>B02</v></cell></row><row><cell><v>IMG_0013.JPG</v></cell><cell><v>B03</v></cell></row></sheet></book>`, links: threeTies},
	{name: "arrays side by side", file: "ties.json", text: `{"photo":["IMG_0011.JPG","IMG_0012.JPG","IMG_0013.JPG"],"point":["B01","B02","B03"]}`, refused: true},
	{name: "crews, days and pairs", file: "ties.json", text: `{"crew 1":{"2026-05-14":{"IMG_0011.JPG":"B01","IMG_0012.JPG":"B02"}},"crew 2":{"2026-05-15":{"IMG_0013.JPG":"B03"}}}`, links: threeTies},
	{name: "two rows of headings", file: "links.csv", text: "Point,Position,,Photo\nid,E (m),N (m),file\nB01,512233.41,731882.12,IMG_0011.JPG\nB02,512241.01,731884.93,IMG_0012.JPG\nB03,512249.87,731888.00,IMG_0013.JPG\n", links: threeTies},
	{name: "photos by what they show", file: "links.csv", text: "Asset,From the water,From the quay,Detail\nB01,IMG_0011.JPG,IMG_0012.JPG,\nB02,,IMG_0013.JPG,IMG_0014.JPG\n", links: fourOfTwo},
	{name: "a neighbour here and there", file: "links.csv", text: "Asset,Neighbour,Image\nB01,,IMG_0011.JPG\nB02,B01,IMG_0012.JPG\nB03,,IMG_0013.JPG\nB04,,IMG_0014.JPG\n", refused: true},
	{name: "the next photo", file: "links.csv", text: "Photo,Point,Next\nIMG_0011.JPG,B01,IMG_0012.JPG\nIMG_0012.JPG,B02,IMG_0013.JPG\nIMG_0013.JPG,B03,IMG_0014.JPG\n", links: threeTies, untied: "14"},
	{name: "points by a slash", file: "notes.txt", text: "IMG_0011.JPG  B01 / B02\nIMG_0012.JPG  B03\n", links: "11=B01, 11=B02, 12=B03"},
	{name: "a run by its last digits", file: "notes.txt", text: "B01: IMG_0011..0013\nB02: IMG_0014\n", refused: true, line: 1},
	{name: "tables of names and values", file: "ties.toml", text: "[[tie]]\nphoto = \"IMG_0011.JPG\"\npoint = \"B01\"\n\n[[tie]]\nphoto = \"IMG_0012.JPG\"\npoint = \"B02\"\n\n[[tie]]\nphoto = \"IMG_0013.JPG\"\npoint = \"B03\"\n", links: threeTies},
	{name: "paragraphs with pictures between breaks", file: "page.html", text: "<p><b>B01</b> – bollard<br>\n<img src=\"i/IMG_0011.JPG\"><br>\n<img src=\"i/IMG_0012.JPG\"></p>\n<p><b>B02</b> – bollard<br><img src=\"i/IMG_0013.JPG\"><br><img src=\"i/IMG_0014.JPG\"></p>", links: fourOfTwo},
	{name: "an outline", file: "report.txt", points: "B01|B02|1|2", text: "1 Quay wall\n  1.1 B01\n      IMG_0011.JPG\n      IMG_0012.JPG\n  1.2 B02\n      IMG_0013.JPG\n2 Stairs\n  IMG_0014.JPG\n", links: "11=B01, 12=B01, 13=B02", open: "14", either: true},
	{name: "statements of a database", file: "ties.sql", text: "INSERT INTO ties VALUES ('IMG_0011.JPG','B01'),\n('IMG_0012.JPG','B02'),\n('IMG_0013.JPG','B03');\n", links: threeTies},
	{name: "rows of a typesetter", file: "table.tex", text: "\\begin{tabular}{ll}\nPhoto & Point \\\\ \\hline\nIMG_0011.JPG & B01 \\\\\nIMG_0012.JPG & B02 \\\\\nIMG_0013.JPG & B03 \\\\\n\\end{tabular}\n", links: threeTies},
	{name: "links of way points", file: "marks.xml", text: `<gpx><wpt lat="53.1" lon="-6.2"><name>B01</name><desc>bollard, B02 next</desc><link href="IMG_0011.JPG"><text>photo</text></link></wpt><wpt lat="53.1" lon="-6.2"><name>B02</name><link href="IMG_0012.JPG"/></wpt><wpt lat="53.1" lon="-6.2"><name>L01</name></wpt><wpt lat="53.1" lon="-6.2"><name>B03</name><link href="IMG_0013.JPG"/></wpt></gpx>`, links: threeTies},
	{name: "the rest at the end", file: "notes.txt", text: "IMG_0011.JPG B01\nIMG_0012.JPG B02\nIMG_0013.JPG B03\nnot used: IMG_0017.JPG, IMG_0018.JPG\n", links: threeTies, open: "17, 18", either: true},

	// Made to be misread.
	{name: "a remark in the place of a photo", file: "links.csv", text: "Point;Photo\nB01;IMG_0011.JPG\nB02;no photo, see B01\nB03;IMG_0013.JPG\n", links: "11=B01, 13=B03"},
	{name: "a remark in the place of a point", file: "links.csv", text: "Photo;Point\nIMG_0011.JPG;B01\nIMG_0012.JPG;between B01 and B02\nIMG_0013.JPG;B03\n", links: "11=B01, 13=B03, 12=B01, 12=B02", either: true},
	{name: "near a point", file: "links.csv", text: "Photo;Point\nIMG_0011.JPG;B01\nIMG_0012.JPG;not B02 but B03\nIMG_0013.JPG;B03\n", refused: true, line: 3},
	{name: "an unknown point, a known one in the remark", file: "links.csv", text: "Photo;Point;Remark\nIMG_0011.JPG;B01;\nIMG_0012.JPG;X99;B02 behind\nIMG_0013.JPG;B03;\n", links: "11=B01, 13=B03", unknownPoints: "12=X99"},
	{name: "an unknown photo, a known one in the remark", file: "links.csv", text: "Photo;Point;Remark\nIMG_0011.JPG;B01;\nIMG_0912.JPG;B02;as IMG_0018.JPG\nIMG_0013.JPG;B03;\n", links: "11=B01, 13=B03", unknownPhotos: "IMG_0912.JPG", untied: "18"},
	{name: "an object without its point", file: "ties.json", text: `[{"photo":"IMG_0011.JPG","point":"B01"},{"photo":"IMG_0012.JPG","remark":"B02 behind"},{"photo":"IMG_0013.JPG","point":"B03","remark":"dull"}]`, links: "11=B01, 13=B03", untied: "12"},
	{name: "notes within the photos of a point", file: "ties.json", text: `[{"id":"B01","photos":[{"file":"IMG_0011.JPG","note":"B02 in the back"},{"file":"IMG_0012.JPG","note":""}]},{"id":"B02","photos":[{"file":"IMG_0013.JPG"},{"file":"IMG_0014.JPG"}]}]`, links: fourOfTwo, either: true},
	{name: "counts of photos that are ids", file: "notes.txt", points: numbers, text: "Point 3: 2 photos, IMG_0011.JPG, IMG_0012.JPG\nPoint 4: 1 photo, IMG_0013.JPG\n", links: "11=3, 12=3, 13=4"},
	{name: "bearings and distances that are ids", file: "notes.txt", points: numbers, text: "IMG_0011.JPG point 3, 5 m from point, looking 12\nIMG_0012.JPG point 4, 5 m\n", links: "11=3, 12=4", either: true},
	{name: "a day above photos", file: "notes.txt", points: numbers, text: "5 May\nIMG_0011.JPG\nIMG_0012.JPG\n6 May\nIMG_0013.JPG\n", refused: true},
	{name: "numbered photos", file: "notes.txt", points: numbers, text: "1. IMG_0013.JPG\n2. IMG_0012.JPG\n3. IMG_0011.JPG\n", refused: true},
	{name: "numbered photos in columns", file: "notes.txt", points: numbers, text: "1   IMG_0013.JPG   wet\n2   IMG_0012.JPG   dry\n3   IMG_0011.JPG   wet\n", links: "13=1, 12=2, 11=3", either: true},
	{name: "a film of another ending", file: "links.csv", text: "File,Point\nIMG_0011.JPG,B01\nIMG_0012.MOV,B02\nIMG_0013.JPG,B03\n", links: "11=B01, 13=B03"},
	{name: "a longer name", file: "links.csv", text: "File,Point\nIMG_0011.JPG,B01\nIMG_0012_edited.JPG,B02\nIMG_0012-1.JPG,B03\n", links: "11=B01", unknownPhotos: "IMG_0012_edited.JPG, IMG_0012-1.JPG"},
	{name: "a heading without photos before a heading with", file: "notes.txt", text: "B01\nB02\nIMG_0012.JPG\nB03\nB04\n", links: "12=B02", either: true},
	{name: "opposite a point", file: "notes.txt", text: "B01\nopposite B04\nIMG_0011.JPG\nB02\nIMG_0012.JPG\n", refused: true, line: 3},
	{name: "indented remarks with points", file: "notes.txt", text: "B01\n  B02 is behind\n  IMG_0011.JPG\nB02\n  IMG_0012.JPG\n", refused: true},
	{name: "pictures above their headings on a page", file: "page.html", text: "<img src='IMG_0011.JPG'><h3>B01</h3><img src='IMG_0012.JPG'><h3>B02</h3><img src='IMG_0013.JPG'><h3>B03</h3>", refused: true},
	{name: "definitions the wrong way", file: "page.html", text: "<dl><dt>IMG_0011.JPG<dd>B01<dt>IMG_0012.JPG<dd>B02<dt>IMG_0013.JPG<dd>B03</dl>", links: threeTies},
	{name: "a page's menu", file: "page.html", text: "<body><nav><a href='b01.html'>B01</a> <a href='b02.html'>B02</a></nav><img src='logo.png'><h2>B01</h2><img src='IMG_0011.JPG'><h2>B02</h2><img src='IMG_0012.JPG'><footer>B03 is missing</footer></body>", links: "11=B01, 12=B02", unknownPhotos: "logo.png", either: true},
	{name: "elements without a group", file: "job.xml", text: "<l><p>B01</p><f>IMG_0011.JPG</f><p>B02</p><f>IMG_0012.JPG</f></l>", refused: true},
	{name: "from and to as elements", file: "job.xml", text: "<l>\n<s><f>IMG_0011.JPG</f><a>B01</a><b>B02</b></s>\n<s><f>IMG_0012.JPG</f><a>B02</a><b>B03</b></s>\n</l>", refused: true, line: 2},
	{name: "zeros in front of photos", file: "links.csv", photos: "1.jpg|01.jpg|001.jpg", text: "Photo;Point\n01;B01\n1;B02\n001.jpg;B03\n", links: "01.jpg=B01, 1.jpg=B02, 001.jpg=B03"},
	{name: "points in two cases, neither as written", file: "links.csv", points: "Pt1|PT1|Pt2", text: "Photo;Point\nIMG_0011.JPG;pt1\nIMG_0012.JPG;Pt2\n", refused: true, line: 2, says: "Pt1|PT1"},
}

func TestForeignLayouts(t *testing.T) {
	seen := map[string]bool{}
	for _, l := range layouts {
		if seen[l.name] {
			t.Errorf("two layouts are called %q", l.name)
		}
		seen[l.name] = true
		t.Run(l.name, func(t *testing.T) { l.check(t) })
	}
}

func (l layout) check(t *testing.T) {
	opt := l.opt
	opt.Photos, opt.Points = l.job()
	text := []byte(l.text)
	if l.encode != nil {
		text = l.encode(t, l.text)
	}
	list, err := linklist.Read(l.file, text, opt)
	switch {
	case err != nil && (l.refused || l.either):
		l.checkRefusal(t, err)
	case err != nil:
		t.Fatalf("refused: %v", err)
	case l.refused:
		t.Fatalf("read as %q: %v, untied %v, points not known %v", list.Layout, list.Links, list.Untied, list.UnknownPoints)
	default:
		l.checkRead(t, list)
	}
}

func (l layout) job() (photos, points []string) {
	photos, points = strings.Split(quay, "|"), strings.Split(bollards, "|")
	if l.photos != "" {
		photos = strings.Split(l.photos, "|")
	}
	if l.points != "" {
		points = strings.Split(l.points, "|")
	}
	return photos, points
}

// Every refusal is a problem of this file that says what to do; one of them stands
// at the line.
func (l layout) checkRefusal(t *testing.T, err error) {
	found := l.line == 0
	for _, e := range parts(err) {
		var p *problem.Problem
		if !errors.As(e, &p) {
			t.Fatalf("not a problem: %v", e)
		}
		if p.File != l.file || p.What == "" || p.Remedy == "" {
			t.Errorf("file %q, what %q, remedy %q", p.File, p.What, p.Remedy)
		}
		found = found || p.Line == l.line
	}
	if !found {
		t.Errorf("no problem at line %d: %v", l.line, err)
	}
	for _, w := range strings.Split(l.says, "|") {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q is not in: %v", w, err)
		}
	}
}

func parts(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	return []error{err}
}

func (l layout) checkRead(t *testing.T, list *linklist.List) {
	if list.Layout == "" {
		t.Error("says nothing of the layout")
	}
	lines := 1 + strings.Count(strings.ReplaceAll(strings.ReplaceAll(l.text, "\r\n", "\n"), "\r", "\n"), "\n")
	for _, x := range slices.Concat(list.Links, list.Untied, list.UnknownPhotos, list.UnknownPoints) {
		if x.Line < 1 || x.Line > lines {
			t.Errorf("%v has a line that is not one of %d", x, lines)
		}
	}
	l.same(t, "links", list.Links, l.links)
	open := wanted(l.open)
	untied := slices.DeleteFunc(slices.Clone(list.Untied), func(x match.Link) bool { return open[x.Photo] })
	unknown := slices.DeleteFunc(slices.Clone(list.UnknownPoints), func(x match.Link) bool { return open[x.Photo] })
	for photo := range open {
		if !slices.ContainsFunc(slices.Concat(list.Untied, list.UnknownPoints), func(x match.Link) bool { return x.Photo == photo }) {
			t.Errorf("%s is neither untied nor of an unknown point", photo)
		}
	}
	l.same(t, "untied", untied, l.untied)
	l.same(t, "unknown points", unknown, l.unknownPoints)
	l.same(t, "unknown photos", list.UnknownPhotos, l.unknownPhotos)
}

// same compares links with "photo=point, ..."; an entry without point stands for the
// photo with whatever point.
func (l layout) same(t *testing.T, what string, got []match.Link, want string) {
	t.Helper()
	g, w := map[string]bool{}, wanted(want)
	for _, x := range got {
		if key := x.Photo + "=" + x.Point; w[key] {
			g[key] = true
		} else if w[x.Photo] {
			g[x.Photo] = true
		} else {
			g[key] = true
		}
	}
	if !maps.Equal(g, w) {
		t.Errorf("%s: got %q, want %q", what, slices.Sorted(maps.Keys(g)), slices.Sorted(maps.Keys(w)))
	}
}

func wanted(s string) map[string]bool {
	w := map[string]bool{}
	for _, x := range strings.Split(s, ", ") {
		photo, point, tied := strings.Cut(x, "=")
		if len(photo) == 2 {
			photo = "IMG_00" + photo + ".JPG"
		}
		if tied {
			photo += "=" + point
		}
		if photo != "" {
			w[photo] = true
		}
	}
	return w
}
