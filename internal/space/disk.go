package space

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
)

// Measure returns the disk that a folder lies on.
func Measure(folder string) (Disk, error) {
	d, err := measure(folder)
	if err != nil {
		return Disk{}, fmt.Errorf("measure the disk of %s: %w", folder, err)
	}
	return d, nil
}

// Size returns the length of all files below a folder, in bytes. Files may come and go
// meanwhile.
func Size(folder string) (bytes uint64, err error) {
	err = filepath.WalkDir(folder, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return ignoreGone(err)
		}
		info, err := d.Info()
		if err == nil {
			bytes += uint64(info.Size())
		}
		return ignoreGone(err)
	})
	if err != nil {
		return 0, fmt.Errorf("measure %s: %w", folder, err)
	}
	return bytes, nil
}

func ignoreGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
