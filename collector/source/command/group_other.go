//go:build !unix

package command

import "os/exec"

func ownGroup(*exec.Cmd) {}

func endGroup(c *exec.Cmd) { _ = c.Process.Kill() }

func killGroup(c *exec.Cmd) { _ = c.Process.Kill() }
