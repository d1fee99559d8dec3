package products

import "strings"

// Ornamentals is the crop group of everything that this service is for: a label
// that lists it allows every plant of the nursery.
const Ornamentals = "ornamentals"

// CropListed reports whether one of the crops that a label lists covers a plant by
// its botanical name: a crop group that its genus belongs to, its genus, or its
// species.
func CropListed(listed []string, botanicalName string) bool {
	name := strings.ToLower(strings.TrimSpace(botanicalName))
	genus, _, _ := strings.Cut(name, " ")
	for _, crop := range listed {
		crop = strings.ToLower(crop)
		if crop == Ornamentals || crop == genus || crop == name || strings.HasPrefix(name, crop+" ") {
			return true
		}
	}
	return false
}
