package pixels

import (
	"image"
	"image/color"
	"image/draw"
)

// plane is one component of an image, in whole bytes.
type plane struct {
	pix          []uint8
	stride, w, h int
}

// components gives an image's brightness and its two colour differences, as
// JFIF defines them (the primaries of ITU-R BT.601, full range). cb and cr may be
// of a coarser grid than y, and are without pixels for a grey image. What image/jpeg
// decodes to YCbCr or grey is taken as it is, and the memory of CMYK and RGBA is used
// again, so that img is lost.
func components(img image.Image) (y, cb, cr plane) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	switch m := img.(type) {
	case *image.Gray:
		return plane{m.Pix, m.Stride, w, h}, plane{}, plane{}
	case *image.YCbCr:
		cw, ch := chromaSize(m.SubsampleRatio, w, h)
		return plane{m.Y, m.YStride, w, h}, plane{m.Cb, m.CStride, cw, ch}, plane{m.Cr, m.CStride, cw, ch}
	case *image.CMYK:
		return packed(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, w, h, func(p []uint8) (r, g, b uint8) {
			return color.CMYKToRGB(p[0], p[1], p[2], p[3])
		})
	case *image.RGBA:
		return packed(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, w, h, func(p []uint8) (r, g, b uint8) {
			return p[0], p[1], p[2]
		})
	}
	at, ok := img.(image.RGBA64Image) // all of the standard library are
	if !ok {
		at = image.NewRGBA(b)
		draw.Draw(at.(draw.Image), b, img, b.Min, draw.Src)
	}
	out := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio444)
	for v := range h {
		for u := range w {
			c := at.RGBA64At(b.Min.X+u, b.Min.Y+v)
			i := v*out.YStride + u
			out.Y[i], out.Cb[i], out.Cr[i] = color.RGBToYCbCr(uint8(c.R>>8), uint8(c.G>>8), uint8(c.B>>8))
		}
	}
	return components(out)
}

// packed is components for pixels of four bytes each, in whose memory it puts the
// brightness. The colours are the means of two by two pixels.
func packed(pix []uint8, stride, w, h int, rgb func(p []uint8) (r, g, b uint8)) (y, cb, cr plane) {
	cw, ch := (w+1)/2, (h+1)/2
	y = plane{pix, w, w, h}
	cb = plane{make([]uint8, cw*ch), cw, cw, ch}
	cr = plane{make([]uint8, cw*ch), cw, cw, ch}
	blue, red := make([]int, cw), make([]int, cw)
	for v := range h {
		row := pix[v*stride:][:4*w]
		for u := range w {
			// What is written here was read before: a pixel takes a fourth of its place.
			l, b, r := color.RGBToYCbCr(rgb(row[4*u:][:4]))
			pix[v*w+u] = l
			blue[u/2] += int(b)
			red[u/2] += int(r)
		}
		if v%2 == 0 && v+1 < h {
			continue
		}
		for u := range cw {
			n := min(2, w-2*u) * (v%2 + 1)
			cb.pix[v/2*cw+u] = uint8((blue[u] + n/2) / n)
			cr.pix[v/2*cw+u] = uint8((red[u] + n/2) / n)
			blue[u], red[u] = 0, 0
		}
	}
	return y, cb, cr
}

// chromaSize is the size of the colour planes of an image of w by h pixels that
// starts at 0, 0.
func chromaSize(r image.YCbCrSubsampleRatio, w, h int) (int, int) {
	switch r {
	case image.YCbCrSubsampleRatio422:
		return (w + 1) / 2, h
	case image.YCbCrSubsampleRatio420:
		return (w + 1) / 2, (h + 1) / 2
	case image.YCbCrSubsampleRatio440:
		return w, (h + 1) / 2
	case image.YCbCrSubsampleRatio411:
		return (w + 3) / 4, h
	case image.YCbCrSubsampleRatio410:
		return (w + 3) / 4, (h + 1) / 2
	}
	return w, h
}

// picture is a plane of real numbers, row by row.
type picture struct {
	pix  []float32
	w, h int
}

func newPicture(w, h int) picture { return picture{make([]float32, w*h), w, h} }

func (p picture) row(y int) []float32 { return p.pix[y*p.w : (y+1)*p.w] }

func (p plane) resample(w, h int) picture { return resample(p.pix, p.stride, p.w, p.h, w, h) }

func (p picture) resample(w, h int) picture { return resample(p.pix, p.w, p.w, p.h, w, h) }

// resample brings pw by ph pixels to w by h, each the mean of the area that it
// covers: pixels on its border count by the share that lies inside. Enlarging
// repeats pixels.
func resample[T uint8 | float32](pix []T, stride, pw, ph, w, h int) picture {
	out := newPicture(w, h)
	line := make([]float32, w)
	sx, sy := float64(pw)/float64(w), float64(ph)/float64(h)
	at := -1 // the row that line holds
	for y := range h {
		dst := out.row(y)
		lo, hi := float64(y)*sy, min(float64(y+1)*sy, float64(ph))
		for r := int(lo); r < ph && float64(r) < hi; r++ {
			if r != at {
				meanRow(line, pix[r*stride:r*stride+pw], sx)
				at = r
			}
			share := float32((min(hi, float64(r+1)) - max(lo, float64(r))) / (hi - lo))
			for x, v := range line {
				dst[x] += share * v
			}
		}
	}
	return out
}

// meanRow is resample for one row; sx is the length of src over that of dst.
func meanRow[T uint8 | float32](dst []float32, src []T, sx float64) {
	n := len(src)
	for x := range dst {
		lo, hi := float64(x)*sx, min(float64(x+1)*sx, float64(n))
		first, last := int(lo), min(int(hi), n-1) // the last counts by hi-last
		if first >= last {
			dst[x] = float32(src[min(first, n-1)])
			continue
		}
		total := sum(src[first+1:last]) + float64(src[first])*(float64(first+1)-lo) + float64(src[last])*(hi-float64(last))
		dst[x] = float32(total / (hi - lo))
	}
}

func sum[T uint8 | float32](src []T) float64 {
	if bytes, ok := any(src).([]uint8); ok {
		n := 0 // faster than adding reals
		for _, v := range bytes {
			n += int(v)
		}
		return float64(n)
	}
	var out float64
	for _, v := range src {
		out += float64(v)
	}
	return out
}

// fit is the size of w by h brought down to a longer side of at most side.
func fit(w, h, side int) (int, int) {
	l := max(w, h)
	if l <= side {
		return w, h
	}
	return max(1, (w*side+l/2)/l), max(1, (h*side+l/2)/l)
}
