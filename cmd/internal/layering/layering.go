// Package layering holds the rule of the house, which package may reach which, and
// the test that enforces it. It has no other code.
package layering
