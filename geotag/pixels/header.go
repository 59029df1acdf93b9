package pixels

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"

	"example.com/phototie/geotag"
)

// header is what a JPEG says before its first scan.
type header struct {
	w, h int
	// table holds the quantiser steps of the first component, which is the
	// brightness of all but RGB and CMYK images, in zigzag order; all 0 where the
	// header has no such table.
	table [64]uint16
}

// readHeader reads the segments of a JPEG up to its first scan. Bytes that stand where
// a marker is due are passed over, as decoders do. Source: ITU-T T.81, annex B.
func readHeader(ctx context.Context, r io.ReaderAt, size int64) (header, error) {
	h := headerReader{Reader: bufio.NewReader(io.NewSectionReader(r, 2, size-2)), first: -1} // the caller has seen the start
	for {
		if err := ctx.Err(); err != nil {
			return h.header, err
		}
		done, err := h.segment()
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			err = fmt.Errorf("%w: it ends inside its header", geotag.ErrTruncated)
		}
		if done || err != nil {
			return h.header, err
		}
	}
}

type headerReader struct {
	*bufio.Reader
	header
	tables [4][64]uint16
	first  int // the table of the first component, -1 before the frame
}

// segment reads the next segment; done says that it was the start of the first scan.
func (h *headerReader) segment() (done bool, err error) {
	marker, err := nextMarker(h.Reader)
	switch {
	case err != nil || marker == 0x01 || marker >= 0xD0 && marker <= 0xD8: // stands alone
		return false, err
	case marker == 0xD9:
		return false, fmt.Errorf("%w: it ends without an image", geotag.ErrCorrupt)
	case marker == 0xDA && h.first < 0:
		return false, fmt.Errorf("%w: a scan comes before the frame that it belongs to", geotag.ErrCorrupt)
	case marker == 0xDA:
		h.table = h.tables[h.first]
		return true, nil
	}
	var length [2]byte
	if _, err := io.ReadFull(h, length[:]); err != nil {
		return false, err
	}
	n := int(binary.BigEndian.Uint16(length[:])) - 2
	if n < 0 {
		return false, fmt.Errorf("%w: a segment of length %d", geotag.ErrCorrupt, n+2)
	}
	return false, h.body(marker, n)
}

// body reads or skips the n bytes of a segment.
func (h *headerReader) body(marker byte, n int) error {
	table, frame := marker == 0xDB, isFrame(marker)
	if !table && !frame {
		_, err := h.Discard(n)
		return err
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(h, b); err != nil {
		return err
	}
	if table {
		return readTables(b, &h.tables)
	}
	if h.first >= 0 {
		return fmt.Errorf("%w: two frames", geotag.ErrCorrupt)
	}
	return h.frame(b)
}

// isFrame says whether a marker starts a frame: SOF0 to SOF15, among which DHT,
// JPG and DAC have their numbers too.
func isFrame(m byte) bool {
	return m >= 0xC0 && m <= 0xCF && m != 0xC4 && m != 0xC8 && m != 0xCC
}

// nextMarker finds the next marker.
func nextMarker(b *bufio.Reader) (byte, error) {
	for last := byte(0); ; {
		c, err := b.ReadByte()
		if err != nil || last == 0xFF && c != 0xFF && c != 0 {
			return c, err
		}
		last = c
	}
}

// frame reads a frame header.
func (h *headerReader) frame(b []byte) error {
	if len(b) < 9 || b[8] > 3 {
		return fmt.Errorf("%w: a frame header of %d bytes, or with a table that can't be", geotag.ErrCorrupt, len(b))
	}
	h.h, h.w, h.first = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:])), int(b[8])
	if h.w == 0 || h.h == 0 {
		return fmt.Errorf("%w: %d x %d pixels are declared", geotag.ErrCorrupt, h.w, h.h)
	}
	return nil
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
