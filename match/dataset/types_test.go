package dataset

import (
	"strings"
	"testing"
)

// A value of the wrong type is told in the key's own words, with what to write.
func TestValuesOfTheWrongType(t *testing.T) {
	for line, want := range map[string]string{
		"[budget]\nhandheld_m = \"5 m\"  # of the class": `budget.handheld_m is a number, without quotes and unit, and handheld_m = "5 m" is not; write it as handheld_m = 5: error radius`,
		"[budget]\nhandheld_m = 4,9":                     `handheld_m = 4,9 has a decimal comma; write handheld_m = 4.9`,
		"[points]\ncrs = EPSG:2157 # the grid":           `crs = EPSG:2157 stands without quotes; write crs = "EPSG:2157"`,
		"[points]\ncrs = 2157":                           `points.crs is a text in quotes, and crs = 2157 is not; write it as crs = "text": the file's system`,
		"[points]\ncolumns = \"id\"":                     `points.columns is a list of texts, and columns = "id" is not; write it as columns = ["one", "two"]`,
		"[ties]\nweigh = \"yes\"":                        `ties.weigh is true or false, without quotes, and weigh = "yes" is not; write it as weigh = true`,
		"[photo_requirements.default]\nmin_photos = '3'": `min_photos is a whole number, without quotes, and min_photos = '3' is not; write it as min_photos = 3`,
	} {
		_, err := parseSettings([]byte(line))
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "phototie.toml:2:") {
			t.Errorf("%s: %v", line, err)
		}
	}
}
