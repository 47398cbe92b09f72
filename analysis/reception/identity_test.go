package reception

import "testing"

func TestSameIdentity(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"0x0421", "0x0421", true},
		{"0x0421", "0x421", true},
		{"0x0421", "1057", true},
		{"0X0421", " 0x0421", true},
		{"0x0421", "0x0422", false},
		{"0x0421/0x233a", "0x0421/9018", true},
		{"0x0421/0x233a", "0x0421/0x233b", false},
		{"0x0421/0x233a", "0x0422/0x233a", false},
		{"0x0421/0x233a", "0x0421", true}, // the network is not said
		{"0x0421", "1057/1", true},
		{"Hill", "Hill", true},
		{"Hill", "hill", false},
		{"Hill", "0x0421", false},
		{"0421", "0x0421", false}, // octal, decimal or a forgotten 0x
		{"0421", "0421", true},
		{"0", "0x0000", true},
		{"0x10000", "65536", false}, // no id of 16 bits
		{"", "0x0421", false},
		{"0x0421/", "0x0421/0x233a", false},
	} {
		if SameIdentity(c.a, c.b) != c.same || SameIdentity(c.b, c.a) != c.same {
			t.Errorf("SameIdentity(%q, %q) = %v, want %v either way", c.a, c.b, !c.same, c.same)
		}
	}
}
