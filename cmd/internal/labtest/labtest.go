// Package labtest holds the test that runs the whole daemon through a scripted day on
// the kernel's own DVB core. It has no other code.
package labtest
