// Package durable makes sure that what was written is on the disk.
package durable

import (
	"errors"
	"os"
)

// Sync makes sure that the content of a file, or the names in a folder, are on the disk.
func Sync(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
