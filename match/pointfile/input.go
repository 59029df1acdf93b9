package pointfile

import (
	"bufio"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// bom is the byte order mark that some programs put before UTF-8 text.
const bom = "\uFEFF"

// maxItem is how much of a file one point, or one token, may take. It bounds the
// memory that a file can claim.
const maxItem = 16 << 20

// maxRow is the same for a row of delimited text, each byte of which may start a
// field.
const maxRow = 1 << 20

// input is an open file that is read once from start to end. It keeps the places
// of line ends that a decoder has read but not yet used, so that a byte offset can
// be turned into a line, and it ends with an error where one item grows beyond
// its bound.
type input struct {
	*bufio.Reader
	file  fs.File
	wide  bool    // the file is UTF-16, and read as UTF-8
	read  int64   // bytes handed out
	most  int64   // bytes that one item may take
	mark  int64   // bytes handed out when the last item was done
	ends  []int64 // offsets of line ends not yet counted
	lines int     // line ends counted
}

// openFile opens a regular file. What is something else is refused before it is
// opened, where the file system can tell: opening a named pipe waits for whoever
// writes into it, and a device does as it likes.
func openFile(fsys fs.FS, name string) (fs.File, error) {
	if s, ok := fsys.(fs.StatFS); ok {
		if info, err := s.Stat(name); err == nil && !info.Mode().IsRegular() {
			return nil, irregular(name, info)
		}
	}
	f, err := fsys.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &Problem{File: name, What: "there is no such file", Remedy: "put it there, or name the right one"}
	}
	if err != nil {
		return nil, &Problem{File: name, What: err.Error()}
	}
	if info, err := f.Stat(); err == nil && !info.Mode().IsRegular() {
		f.Close()
		return nil, irregular(name, info)
	}
	return f, nil
}

func irregular(name string, info fs.FileInfo) error {
	what := map[fs.FileMode]string{fs.ModeDir: "a folder", fs.ModeNamedPipe: "a named pipe", fs.ModeSocket: "a socket",
		fs.ModeDevice: "a device", fs.ModeDevice | fs.ModeCharDevice: "a device"}[info.Mode().Type()]
	return &Problem{File: name, What: "this is " + cmp.Or(what, "not a regular file"), Remedy: "name the file that has the points"}
}

func newInput(f fs.File) *input {
	in := &input{Reader: bufio.NewReaderSize(f, sampleSize), file: f, most: maxItem}
	if b, err := in.Peek(2); err == nil && (string(b) == "\xFF\xFE" || string(b) == "\xFE\xFF") {
		in.wide = true
		in.Reader = bufio.NewReaderSize(transform.NewReader(in.Reader, unicode.UTF16(unicode.BigEndian, unicode.ExpectBOM).NewDecoder()), sampleSize)
	}
	return in
}

// skipBOM passes over a byte order mark.
func (in *input) skipBOM() {
	if b, err := in.Peek(len(bom)); err == nil && string(b) == bom {
		in.Discard(len(bom))
	}
}

// Read is for decoders that need a line for an offset (see line) and a bound.
func (in *input) Read(p []byte) (int, error) {
	room := in.most - (in.read - in.mark)
	if room <= 0 {
		return 0, errTooLarge
	}
	n, err := in.Reader.Read(p[:min(int64(len(p)), room)])
	for line := range bytes.Lines(p[:n]) {
		if in.read += int64(len(line)); line[len(line)-1] == '\n' {
			in.ends = append(in.ends, in.read-1)
		}
	}
	return n, err
}

// done says that an item has been read.
func (in *input) done() { in.mark = in.read }

// line gives the line of a byte offset. Offsets must not fall from call to call.
func (in *input) line(offset int64) int {
	n, _ := slices.BinarySearch(in.ends, offset)
	in.lines += n
	in.ends = in.ends[:copy(in.ends, in.ends[n:])]
	return in.lines + 1
}

var errTooLarge = fmt.Errorf("one item takes more than %d MiB", maxItem>>20)

// contains reports whether a file holds one of some words.
func contains(fsys fs.FS, name string, words ...string) (bool, error) {
	f, err := openFile(fsys, name)
	if err != nil {
		return false, err
	}
	defer f.Close()
	longest := 0
	for _, w := range words {
		longest = max(longest, len(w))
	}
	buf := make([]byte, 256<<10)
	kept := 0
	for {
		n, err := io.ReadFull(f, buf[kept:])
		chunk := buf[:kept+n]
		for _, w := range words {
			if bytes.Contains(chunk, []byte(w)) {
				return true, nil
			}
		}
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		kept = copy(buf, chunk[max(0, len(chunk)-longest):])
	}
}
