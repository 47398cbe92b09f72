//go:build linux && (amd64 || arm64)

package dvb

// On 64 bits the union of a property ends with an 8-byte pointer.
const (
	unionSize      = 56
	propertySize   = 76
	propertiesSize = 16

	feSetProperty = 0x40106f52
	feGetProperty = 0x80106f53
)
