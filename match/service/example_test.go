package service_test

import (
	"context"
	"fmt"
	"os"
	"strings"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match/service"
)

// What a program writes, a line each, and what it reads back.
func Example() {
	s := service.New(crs.OpenGrid, service.Options{})
	err := s.Serve(context.Background(), strings.NewReader(`{"id":7,"do":"compare","crs":"EPSG:2157","e":690242.043,"n":604873.007}`), os.Stdout)
	if err != nil {
		fmt.Println(err)
	}
	// Output: {"version":1,"id":7,"error":{"code":"bad-request","message":"give the photo either by path or by its bytes in photo, base64"}}
}
