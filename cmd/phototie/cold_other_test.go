//go:build !linux

package main

import "errors"

// forget: see the file for Linux.
func forget(string) error { return errors.New("this system can't be told to forget a file") }
