package jpegdct

import (
	"bufio"
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"slices"
)

// Markers (T.81, table B.1).
const (
	sof0, sof1, sof2 = 0xc0, 0xc1, 0xc2
	dht              = 0xc4
	rst0, rst7       = 0xd0, 0xd7
	soi, eoi         = 0xd8, 0xd9
	sos, dqt, dri    = 0xda, 0xdb, 0xdd
	app0, app14      = 0xe0, 0xee
	com              = 0xfe
)

// zigzag gives for each coefficient in the order of the file its place in the block
// (T.81, figure A.6).
var zigzag = [64]uint8{
	0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
}

// component is one of the frame's.
type component struct {
	id     byte
	h, v   int // sampling factors
	table  byte
	dc, ac byte // of the scan
	// across and down are its blocks, those that fill up the last units too, and
	// wide and high those of a scan of its own.
	across, down, wide, high int
	pix                      []byte
	stride                   int
	coef                     []int16 // of a progressive image, 64 a block
	last                     int32   // the DC coefficient before
}

type decoder struct {
	r           *bufio.Reader
	bits        bits
	quant       [4][64]uint16 // in the order of the file
	huff        [2][4]huffman // DC, AC
	comps       []component
	w, h        int
	hMax, vMax  int
	progressive bool
	interval    int // units between restart markers, 0 for none
	jfif        bool
	adobe       int // the transform, -1 where no segment states one
	// size is how many pixels a block becomes along a side: 1, 2 or 4. coefs is how
	// many coefficients of the order of the file count for it.
	size, coefs int
	scanned     bool
}

func format(s string) error      { return jpeg.FormatError(s) }
func unsupported(s string) error { return jpeg.UnsupportedError(s) }

// Decode decodes a JPEG image at the scale 1/divisor, which is 2, 4 or 8. The image's
// sides are those of the original divided by it and rounded up. It is an
// *image.Gray, *image.YCbCr, *image.RGBA or *image.CMYK as the standard library's
// decoder would give. Errors are those of that decoder too: jpeg.FormatError,
// jpeg.UnsupportedError, io.ErrUnexpectedEOF, or one of r.
func Decode(r io.Reader, divisor int) (image.Image, error) {
	coefs, ok := map[int]int{2: 25, 4: 5, 8: 1}[divisor]
	if !ok {
		return nil, fmt.Errorf("jpegdct: no scale of 1/%d", divisor)
	}
	d := &decoder{r: bufio.NewReaderSize(r, 64<<10), adobe: -1, size: 8 / divisor, coefs: coefs}
	img, err := d.decode()
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return img, err
}

func (d *decoder) decode() (image.Image, error) {
	var head [2]byte
	if _, err := io.ReadFull(d.r, head[:]); err != nil {
		return nil, err
	}
	if head != [2]byte{0xff, soi} {
		return nil, format("missing SOI marker")
	}
	for {
		marker, err := d.marker()
		if err != nil {
			return nil, err
		}
		if marker == eoi {
			return d.image()
		}
		if marker >= rst0 && marker <= rst7 { // strayed from the end of a scan
			continue
		}
		data, err := d.segment()
		if err != nil {
			return nil, err
		}
		if err := d.handle(marker, data); err != nil {
			return nil, err
		}
	}
}

// handle takes in a segment.
func (d *decoder) handle(marker byte, data []byte) error {
	switch marker {
	case sof0, sof1, sof2:
		d.progressive = marker == sof2
		return d.frame(data)
	case dht:
		return d.tables(data)
	case dqt:
		return d.quantisation(data)
	case sos:
		return d.scan(data)
	case dri:
		if len(data) != 2 {
			return format("DRI has wrong length")
		}
		d.interval = int(data[0])<<8 | int(data[1])
	case app0:
		d.jfif = bytes.HasPrefix(data, []byte("JFIF\x00"))
	case app14:
		if len(data) >= 12 && bytes.HasPrefix(data, []byte("Adobe")) {
			d.adobe = int(data[11])
		}
	default:
		switch {
		case marker > app0 && marker <= 0xef || marker == com:
		case marker < 0xc0:
			return format("unknown marker")
		default:
			return unsupported("unknown marker")
		}
	}
	return nil
}

// marker finds the next one. Bytes before it are passed over, as other decoders
// do.
func (d *decoder) marker() (byte, error) {
	if m := d.bits.marker; m != 0 { // the end of a scan has met it
		d.bits.marker = 0
		return m, nil
	}
	b, err := d.r.ReadByte()
	for err == nil {
		for b != 0xff && err == nil {
			b, err = d.r.ReadByte()
		}
		for b == 0xff && err == nil {
			b, err = d.r.ReadByte()
		}
		if b != 0 {
			break
		}
	}
	return b, err
}

// segment reads the data of a segment.
func (d *decoder) segment() ([]byte, error) {
	var n [2]byte
	if _, err := io.ReadFull(d.r, n[:]); err != nil {
		return nil, err
	}
	size := int(n[0])<<8 | int(n[1]) - 2
	if size < 0 {
		return nil, format("short segment length")
	}
	data := make([]byte, size)
	_, err := io.ReadFull(d.r, data)
	return data, err
}

// quantisation reads tables (T.81, B.2.4.1).
func (d *decoder) quantisation(data []byte) error {
	for len(data) > 0 {
		id, wide := data[0]&15, data[0]>>4
		if id > 3 || wide > 1 {
			return format("bad Pq or Tq value")
		}
		n := 64 * (1 + int(wide))
		if len(data) < 1+n {
			return format("DQT has wrong length")
		}
		for i := range 64 {
			d.quant[id][i] = uint16(data[1+i])
			if wide == 1 {
				d.quant[id][i] = uint16(data[1+2*i])<<8 | uint16(data[2+2*i])
			}
		}
		data = data[1+n:]
	}
	return nil
}

// tables reads Huffman tables (T.81, B.2.4.2).
func (d *decoder) tables(data []byte) error {
	for len(data) > 0 {
		if len(data) < 17 {
			return format("DHT has wrong length")
		}
		class, id := data[0]>>4, data[0]&15
		if class > 1 || id > 3 {
			return format("bad Tc or Th value")
		}
		n, err := d.huff[class][id].build(data[1:17], data[17:])
		if err != nil {
			return err
		}
		data = data[17+n:]
	}
	return nil
}

// frame reads the header (T.81, B.2.2) and makes room.
func (d *decoder) frame(data []byte) error {
	switch {
	case d.comps != nil:
		return format("multiple SOF markers")
	case len(data) < 6:
		return format("SOF has wrong length")
	case data[0] != 8:
		return unsupported("precision")
	}
	d.h, d.w = int(data[1])<<8|int(data[2]), int(data[3])<<8|int(data[4])
	n := int(data[5])
	switch {
	case !slices.Contains([]int{1, 3, 4}, n):
		return unsupported("number of components")
	case len(data) != 6+3*n:
		return format("SOF has wrong length")
	case d.w == 0 || d.h == 0:
		return format("an image without pixels")
	}
	for i := range n {
		if err := d.component(data[6+3*i:]); err != nil {
			return err
		}
	}
	if n == 1 {
		d.comps[0].h, d.comps[0].v = 1, 1 // a unit is one block whatever is said (T.81, A.2.2)
	}
	return d.room()
}

// component reads what the frame says of one.
func (d *decoder) component(data []byte) error {
	c := component{id: data[0], h: int(data[1] >> 4), v: int(data[1] & 15), table: data[2]}
	if slices.ContainsFunc(d.comps, func(o component) bool { return o.id == c.id }) {
		return format("repeated component identifier")
	}
	if c.h < 1 || c.h > 4 || c.v < 1 || c.v > 4 || c.table > 3 {
		return format("luma/chroma subsampling ratio")
	}
	d.comps = append(d.comps, c)
	return nil
}

// room makes the components' planes.
func (d *decoder) room() error {
	for _, c := range d.comps {
		d.hMax, d.vMax = max(d.hMax, c.h), max(d.vMax, c.v)
	}
	if _, ok := d.ratio(); !ok {
		return unsupported("luma/chroma subsampling ratio")
	}
	unitsAcross, unitsDown := (d.w+8*d.hMax-1)/(8*d.hMax), (d.h+8*d.vMax-1)/(8*d.vMax)
	for i := range d.comps {
		c := &d.comps[i]
		c.across, c.down = unitsAcross*c.h, unitsDown*c.v
		c.wide, c.high = ((d.w*c.h+d.hMax-1)/d.hMax+7)/8, ((d.h*c.v+d.vMax-1)/d.vMax+7)/8
		c.stride = c.across * d.size
		c.pix = make([]byte, c.stride*c.down*d.size)
		if d.progressive {
			c.coef = make([]int16, 64*c.across*c.down)
		}
	}
	return nil
}

// ratio is how the second and third component are sampled; it is false where the
// standard library has no word for it.
func (d *decoder) ratio() (image.YCbCrSubsampleRatio, bool) {
	c := d.comps
	if len(c) == 1 {
		return image.YCbCrSubsampleRatio444, true
	}
	if c[1].h != c[2].h || c[1].v != c[2].v || c[0].h != d.hMax || c[0].v != d.vMax || d.hMax%c[1].h != 0 || d.vMax%c[1].v != 0 {
		return 0, false
	}
	if len(c) == 4 && (c[3].h != c[0].h || c[3].v != c[0].v) {
		return 0, false
	}
	r, ok := map[[2]int]image.YCbCrSubsampleRatio{
		{1, 1}: image.YCbCrSubsampleRatio444, {1, 2}: image.YCbCrSubsampleRatio440, {2, 1}: image.YCbCrSubsampleRatio422,
		{2, 2}: image.YCbCrSubsampleRatio420, {4, 1}: image.YCbCrSubsampleRatio411, {4, 2}: image.YCbCrSubsampleRatio410,
	}[[2]int{d.hMax / c[1].h, d.vMax / c[1].v}]
	return r, ok
}

// image puts the planes together.
func (d *decoder) image() (image.Image, error) {
	if !d.scanned {
		return nil, format("missing SOS marker")
	}
	if d.progressive {
		for i := range d.comps {
			c := &d.comps[i]
			for n := range c.across * c.down {
				d.transform(c, (*[64]int16)(c.coef[64*n:]), n%c.across, n/c.across)
			}
		}
	}
	bounds := image.Rect(0, 0, (d.w*d.size+7)/8, (d.h*d.size+7)/8)
	c := d.comps
	if len(c) == 1 {
		return &image.Gray{Pix: c[0].pix, Stride: c[0].stride, Rect: bounds}, nil
	}
	ratio, _ := d.ratio()
	m := &image.YCbCr{Y: c[0].pix, Cb: c[1].pix, Cr: c[2].pix, YStride: c[0].stride, CStride: c[1].stride, SubsampleRatio: ratio, Rect: bounds}
	switch {
	case len(c) == 4:
		return d.black(m)
	case d.rgb():
		return &image.RGBA{Stride: 4 * bounds.Dx(), Rect: bounds, Pix: packed(bounds, func(x, y int) [4]byte {
			i, k := m.YOffset(x, y), m.COffset(x, y)
			return [4]byte{m.Y[i], m.Cb[k], m.Cr[k], 255}
		})}, nil
	}
	return m, nil
}

// rgb says that three components are red, green and blue: by Adobe's segment, or by
// their names, where no JFIF segment makes them YCbCr.
func (d *decoder) rgb() bool {
	if d.jfif {
		return false
	}
	return d.adobe == 0 || d.comps[0].id == 'R' && d.comps[1].id == 'G' && d.comps[2].id == 'B'
}

// black makes a CMYK image of four components. Adobe's programs write ink inverted:
// 255 is none; YCCK is YCbCr of the inverted ink.
func (d *decoder) black(m *image.YCbCr) (image.Image, error) {
	if d.adobe < 0 {
		return nil, unsupported("unknown color model: 4-component JPEG doesn't have Adobe APP14 metadata")
	}
	k := d.comps[3]
	at := func(x, y int) [4]byte {
		i, j := m.YOffset(x, y), m.COffset(x, y)
		ink := 255 - k.pix[y*k.stride+x]
		if d.adobe == 0 {
			return [4]byte{255 - m.Y[i], 255 - m.Cb[j], 255 - m.Cr[j], ink}
		}
		r, g, b := color.YCbCrToRGB(m.Y[i], m.Cb[j], m.Cr[j])
		return [4]byte{r, g, b, ink}
	}
	return &image.CMYK{Pix: packed(m.Rect, at), Stride: 4 * m.Rect.Dx(), Rect: m.Rect}, nil
}

// packed has four bytes a pixel.
func packed(bounds image.Rectangle, at func(x, y int) [4]byte) []byte {
	pix := make([]byte, 0, 4*bounds.Dx()*bounds.Dy())
	for y := range bounds.Dy() {
		for x := range bounds.Dx() {
			p := at(x, y)
			pix = append(pix, p[:]...)
		}
	}
	return pix
}
