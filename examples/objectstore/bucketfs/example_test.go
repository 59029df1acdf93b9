package bucketfs_test

import (
	"context"
	"fmt"
	"io/fs"

	"gocloud.dev/blob/memblob"

	"example.com/phototie/examples/objectstore/bucketfs"
)

// A bucket read as a folder.
func Example() {
	ctx := context.Background()
	b := memblob.OpenBucket(nil)
	defer b.Close()
	if err := b.WriteAll(ctx, "job/points.csv", []byte("id,e,n\n"), nil); err != nil {
		fmt.Println(err)
		return
	}
	files := bucketfs.New(ctx, b)
	text, err := fs.ReadFile(files, "job/points.csv")
	fmt.Printf("%q %v\n", text, err)
	fmt.Println(files.Fetched())
	// Output:
	// "id,e,n\n" <nil>
	// 7 1
}
