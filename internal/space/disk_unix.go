//go:build unix

package space

import "golang.org/x/sys/unix"

func measure(folder string) (Disk, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return Disk{}, err
	}
	// Types differ from system to system.
	size := uint64(s.Bsize)
	return Disk{Free: uint64(s.Bavail) * size, Total: uint64(s.Blocks) * size}, nil
}
