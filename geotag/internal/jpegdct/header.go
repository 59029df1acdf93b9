package jpegdct

import (
	"bufio"
	"fmt"
	"io"
	"slices"
)

// Header is what a JPEG says before its first scan.
type Header struct {
	Width, Height int
	// Table holds the quantiser steps of the first component, which is the brightness of
	// all but RGB and CMYK images, in zigzag order; all 0 where there is no such table.
	Table [64]uint16
}

// ReadHeader reads the segments up to the first scan, of images that Decode does not
// know too. Source: ITU-T T.81, annex B. Errors are those of Decode.
func ReadHeader(r io.Reader) (Header, error) {
	d := &decoder{r: bufio.NewReader(r)}
	h, err := d.header()
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return h, err
}

func (d *decoder) header() (h Header, err error) {
	for table := -1; ; { // of the first component, -1 before the frame
		marker, err := d.marker()
		switch {
		case err != nil:
			return h, err
		case marker == 0x01 || marker >= rst0 && marker <= soi: // stands alone
			continue
		case marker == eoi:
			return h, format("it ends without an image")
		case marker == sos && table < 0:
			return h, format("a scan comes before the frame that it belongs to")
		case marker == sos:
			if h.Table = d.quant[table]; h.Table != [64]uint16{} && slices.Contains(h.Table[:], 0) {
				return h, format("a quantiser step of 0")
			}
			return h, nil
		}
		data, err := d.segment()
		switch {
		case err != nil:
		case marker == dqt:
			err = d.quantisation(data)
		case !isFrame(marker):
		case table >= 0:
			err = format("two frames")
		case len(data) < 9 || data[8] > 3:
			err = format(fmt.Sprintf("a frame header of %d bytes, or with a table that can't be", len(data)))
		default:
			h.Height, h.Width, table = int(data[1])<<8|int(data[2]), int(data[3])<<8|int(data[4]), int(data[8])
		}
		if err != nil {
			return h, err
		}
	}
}

// isFrame says whether a marker starts a frame: SOF0 to SOF15, among which DHT, JPG and
// DAC have their numbers too.
func isFrame(m byte) bool {
	return m >= sof0 && m <= 0xcf && m != dht && m != 0xc8 && m != 0xcc
}
