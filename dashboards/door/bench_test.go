package door

import "testing"

// What a log-in costs.
func BenchmarkHash(b *testing.B) {
	p, err := ParseHash(published)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		p.matches(phrase)
	}
}
