//go:build linux && arm

package dvb

// On 32 bits the union of a property ends with a 4-byte pointer.
const (
	unionSize      = 52
	propertySize   = 72
	propertiesSize = 8

	feSetProperty = 0x40086f52
	feGetProperty = 0x80086f53
)
