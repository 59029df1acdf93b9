package pointfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// binaryPoint is a point as a GeoPackage stores it.
type binaryPoint struct {
	srs     int32
	x, y, z float64
	hasZ    bool
}

var errCutOff = errors.New("the geometry is cut off")

// errNotPoint is returned for a geometry that is something other than a point.
var errNotPoint = errors.New("not a point")

var byteOrders = [2]binary.ByteOrder{binary.BigEndian, binary.LittleEndian}

// parseGeoPackagePoint reads a GeoPackageBinary of a point: the header of OGC
// 12-128r19, section 2.1.3, followed by the well-known binary of ISO 13249-3 (OGC
// 06-103r4, section 8). A MultiPoint of one part counts as a point.
func parseGeoPackagePoint(b []byte) (binaryPoint, error) {
	var p binaryPoint
	if len(b) < 8 || string(b[:2]) != "GP" {
		return p, errors.New("the geometry is not a GeoPackageBinary")
	}
	if b[2] != 0 {
		return p, fmt.Errorf("the geometry is of version %d of GeoPackageBinary, which is not known here", b[2]+1)
	}
	flags := b[3]
	if flags&0x20 != 0 {
		return p, errors.New("the geometry is of an extended type")
	}
	order := byteOrders[flags&1]
	p.srs = int32(order.Uint32(b[4:]))
	sizes := [...]int{0, 32, 48, 48, 64}
	e := int(flags>>1) & 7
	if e >= len(sizes) {
		return p, fmt.Errorf("the envelope of the geometry has code %d, which is not valid", e)
	}
	if len(b) < 8+sizes[e] {
		return p, errCutOff
	}
	empty := flags&0x10 != 0
	rest, err := p.wkb(b[8+sizes[e]:], true)
	if err != nil {
		return p, err
	}
	if len(rest) > 0 {
		return p, fmt.Errorf("%d bytes follow the geometry", len(rest))
	}
	if empty || math.IsNaN(p.x) && math.IsNaN(p.y) {
		return p, errors.New("the geometry is empty")
	}
	return p, nil
}

// wkb reads one geometry and returns what follows it.
func (p *binaryPoint) wkb(b []byte, multi bool) ([]byte, error) {
	if len(b) < 5 {
		return nil, errCutOff
	}
	if b[0] > 1 {
		return nil, fmt.Errorf("byte order %d of the geometry is not valid", b[0])
	}
	order := byteOrders[b[0]]
	code := order.Uint32(b[1:])
	b = b[5:]
	kind, dims := code%1000, code/1000
	if dims > 3 {
		return nil, fmt.Errorf("geometry type %d is not one of ISO 13249-3", code)
	}
	switch {
	case kind == 1:
		n := [...]int{2, 3, 3, 4}[dims] // XY, XYZ, XYM, XYZM; M is a measure and not a height
		if len(b) < 8*n {
			return nil, errCutOff
		}
		at := func(i int) float64 { return math.Float64frombits(order.Uint64(b[8*i:])) }
		p.x, p.y = at(0), at(1)
		if dims%2 == 1 && !math.IsNaN(at(2)) {
			p.z, p.hasZ = at(2), true
		}
		return b[8*n:], nil
	case kind == 4 && multi:
		if len(b) < 4 {
			return nil, errCutOff
		}
		if n := order.Uint32(b); n != 1 {
			return nil, fmt.Errorf("a MultiPoint of %d positions is not one point", n)
		}
		return p.wkb(b[4:], false)
	}
	return nil, errNotPoint
}
