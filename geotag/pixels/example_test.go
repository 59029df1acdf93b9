package pixels_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"log"

	"example.com/phototie/geotag/pixels"
)

// board draws a checked board, standing in for a photo.
func board(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{200, 190, 60, 255}
			if (8*x/w+6*y/h)%2 == 0 || x < y/2 {
				c = color.RGBA{40, 60, 80, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func ExampleMeasure() {
	var file bytes.Buffer
	if err := jpeg.Encode(&file, board(640, 480), &jpeg.Options{Quality: 85}); err != nil {
		log.Fatal(err)
	}
	m, err := pixels.Measure(context.Background(), bytes.NewReader(file.Bytes()), int64(file.Len()), pixels.Limits{}, nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d x %d, quality %v\n", m.Width, m.Height, m.Quality)
	fmt.Println("sharp:", m.Blur != nil && *m.Blur <= pixels.SharpBlur)
	fmt.Printf("clipped: %.0f %% black, %.0f %% white\n", 100*m.Exposure.Black, 100*m.Exposure.White)
	// Output:
	// 640 x 480, quality 85
	// sharp: true
	// clipped: 0 % black, 0 % white
}

// Copies are found among many pictures, and which of two was drawn on.
func ExampleAlike() {
	preview := func(m image.Image) *pixels.Preview {
		var file bytes.Buffer
		if err := jpeg.Encode(&file, m, nil); err != nil {
			log.Fatal(err)
		}
		got, err := pixels.Measure(context.Background(), bytes.NewReader(file.Bytes()), int64(file.Len()), pixels.Limits{}, nil)
		if err != nil {
			log.Fatal(err)
		}
		return got.Preview
	}
	marked := board(320, 240)
	for x := 100; x < 220; x++ {
		for y := 100; y < 106; y++ {
			marked.SetRGBA(x, y, color.RGBA{255, 0, 0, 255})
		}
	}
	for pair := range pixels.Alike([]*pixels.Preview{preview(board(640, 480)), preview(marked)}) {
		fmt.Println(pair.First, pair.Second, pair.Likeness, pair.Drawn)
	}
	// Output:
	// 0 1 drawn-on 2
}
