//go:build !linux

package main

import "time"

// processorTime: see the file for Linux; elsewhere the time that passes stands in.
func processorTime() time.Duration { return wall() }
