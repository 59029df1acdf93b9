package geotag

import (
	"fmt"
	"sync"

	exif "github.com/dsoprea/go-exif/v3"
	exifcommon "github.com/dsoprea/go-exif/v3/common"
)

// dictionary is go-exif's tag dictionary. Loading it costs some milliseconds,
// so that it waits until a name is asked for. Once loaded it is only read.
var dictionary = sync.OnceValues(func() (*exif.TagIndex, error) {
	ti := exif.NewTagIndex()
	return ti, exif.LoadStandardTags(ti)
})

// directories are the identities of the directories by the names used here.
var directories = map[string]*exifcommon.IfdIdentity{
	"IFD0":    exifcommon.IfdStandardIfdIdentity,
	"IFD1":    exifcommon.IfdStandardIfdIdentity,
	"Exif":    exifcommon.IfdExifStandardIfdIdentity,
	"GPS":     exifcommon.IfdGpsInfoStandardIfdIdentity,
	"Interop": exifcommon.IfdExifIopStandardIfdIdentity,
}

// exifName returns the standard's name of a tag, "GPSLatitude" for tag 2 of the
// directory "GPS" for instance. The directories are "IFD0", "IFD1", "Exif",
// "GPS" and "Interop". A tag or directory that the dictionary doesn't know
// comes out as its number, "0xC4A5".
func exifName(directory string, id uint16) string {
	// The dictionary ends at GPSDifferential; the standard went on.
	if directory == "GPS" && id < gpsTags {
		return gpsNames[id]
	}
	if ii := directories[directory]; ii != nil {
		if ti, err := dictionary(); err == nil {
			if it, err := ti.Get(ii, id); err == nil {
				return it.Name
			}
		}
	}
	return fmt.Sprintf("0x%04X", id)
}
