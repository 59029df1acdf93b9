package pixels

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"example.com/phototie/geotag"
)

// header is what a JPEG says before its first scan.
type header struct {
	w, h int
	// components is 1 for grey, 3 for colour and 4 for CMYK; 0 of other formats.
	components int
	// table holds the quantiser steps of the first component, which is the
	// brightness of all but RGB and CMYK images, in zigzag order; all 0 where the
	// header has no such table.
	table [64]uint16
}

// readHeader reads the segments of a JPEG up to its first scan. Segments that
// do not concern it are skipped unread. Source: ITU-T T.81, annex B.
func readHeader(ctx context.Context, r io.ReaderAt, size int64) (header, error) {
	s := scanner{src: io.NewSectionReader(r, 0, size), first: -1}
	s.buf = bufio.NewReader(s.src)
	if b, err := s.next(2); err != nil || b[0] != 0xFF || b[1] != 0xD8 {
		if err != nil && !errors.Is(err, geotag.ErrTruncated) {
			return s.hd, err
		}
		return s.hd, fmt.Errorf("%w: it does not start as a JPEG does", geotag.ErrFormat)
	}
	for {
		if err := ctx.Err(); err != nil {
			return s.hd, err
		}
		marker, err := s.marker()
		if err != nil {
			return s.hd, err
		}
		switch {
		case marker == 0x01 || marker >= 0xD0 && marker <= 0xD8:
			// stands alone
		case marker == 0xD9:
			return s.hd, fmt.Errorf("%w: it ends without an image", geotag.ErrCorrupt)
		case marker == 0xDA:
			if s.first < 0 {
				return s.hd, fmt.Errorf("%w: a scan comes before the frame that it belongs to", geotag.ErrCorrupt)
			}
			s.hd.table = s.tables[s.first]
			return s.hd, nil
		default:
			if err := s.segment(marker); err != nil {
				return s.hd, err
			}
		}
	}
}

// segment reads or skips a segment.
func (s *scanner) segment(marker byte) error {
	b, err := s.next(2)
	if err != nil {
		return err
	}
	n := int(binary.BigEndian.Uint16(b)) - 2
	if n < 0 {
		return fmt.Errorf("%w: a segment of length %d", geotag.ErrCorrupt, n+2)
	}
	table, frame := marker == 0xDB, isFrame(marker)
	if !table && !frame {
		return s.skip(n)
	}
	if frame && s.first >= 0 {
		return fmt.Errorf("%w: two frames", geotag.ErrCorrupt)
	}
	if b, err = s.next(n); err != nil {
		return err
	}
	if table {
		return readTables(b, &s.tables)
	}
	if n < 9 || b[8] > 3 {
		return fmt.Errorf("%w: a frame header of %d bytes, or with a table that can't be", geotag.ErrCorrupt, n)
	}
	s.hd.h, s.hd.w = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
	s.hd.components = int(b[5])
	s.first = int(b[8])
	if s.hd.w == 0 || s.hd.h == 0 {
		return fmt.Errorf("%w: %d x %d pixels are declared", geotag.ErrCorrupt, s.hd.w, s.hd.h)
	}
	return nil
}

// isFrame says whether a marker starts a frame: SOF0 to SOF15, among which DHT,
// JPG and DAC have their numbers too.
func isFrame(m byte) bool {
	return m >= 0xC0 && m <= 0xCF && m != 0xC4 && m != 0xC8 && m != 0xCC
}

// readTables reads the payload of a DQT segment. A later table takes the place
// of an earlier one.
func readTables(b []byte, tables *[4][64]uint16) error {
	for len(b) > 0 {
		precision, at := b[0]>>4, b[0]&15
		b = b[1:]
		if precision > 1 || at > 3 {
			return fmt.Errorf("%w: a quantisation table of precision %d and number %d", geotag.ErrCorrupt, precision, at)
		}
		if len(b) < 64*int(1+precision) {
			return fmt.Errorf("%w: a quantisation table ends early", geotag.ErrCorrupt)
		}
		for i := range 64 {
			v := uint16(b[0])
			if precision == 1 {
				v = binary.BigEndian.Uint16(b)
			}
			if v == 0 {
				return fmt.Errorf("%w: a quantiser step of 0", geotag.ErrCorrupt)
			}
			tables[at][i] = v
			b = b[1+precision:]
		}
	}
	return nil
}

// scanner reads segments, and jumps over what is not wanted.
type scanner struct {
	hd     header
	tables [4][64]uint16
	first  int // the table of the first component, -1 before the frame
	src    *io.SectionReader
	buf    *bufio.Reader
	held   [65536]byte
}

// next returns n bytes, good until the next call.
func (s *scanner) next(n int) ([]byte, error) {
	b := s.held[:n]
	_, err := io.ReadFull(s.buf, b)
	return b, cutOff(err)
}

// cutOff words the end of a file where more was due.
func cutOff(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return fmt.Errorf("%w: it ends inside its header", geotag.ErrTruncated)
	}
	return err
}

func (s *scanner) skip(n int) error {
	if in := s.buf.Buffered(); n > in {
		if _, err := s.src.Seek(int64(n-in), io.SeekCurrent); err != nil {
			return err
		}
		s.buf.Reset(s.src)
		return nil
	}
	_, err := s.buf.Discard(n)
	return cutOff(err)
}

// marker finds the next marker. Bytes that stand where one is due are passed
// over, as decoders do.
func (s *scanner) marker() (byte, error) {
	for {
		b, err := s.buf.ReadByte()
		if err != nil {
			return 0, cutOff(err)
		}
		for b == 0xFF {
			if b, err = s.buf.ReadByte(); err != nil {
				return 0, cutOff(err)
			}
			if b != 0xFF && b != 0 {
				return b, nil
			}
		}
	}
}
