package segment

// Verify reads all of a file and compares the checksum of each group; [Open] has read
// the rest.
func (f *File) Verify() error {
	var buf []byte
	for g := range f.groups {
		var err error
		if buf, err = f.load(g, buf); err != nil {
			return err
		}
	}
	return nil
}
