package powerfs

import (
	"fmt"
	"os"
	"sync"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
	"golang.org/x/sys/unix"
)

// mount is where a disk is mounted, if it is.
type mount struct {
	at     sync.Mutex
	dir    string
	server *fuse.Server
}

// Missing says what this machine lacks for mounting; nothing if it can.
func Missing() string {
	if os.Geteuid() != 0 {
		return "mounting a filesystem needs root"
	}
	f, err := os.OpenFile("/dev/fuse", os.O_RDWR, 0)
	if err != nil {
		return fmt.Sprintf("mounting a filesystem in user space: %v", err)
	}
	f.Close()
	return ""
}

// Mount gives the disk power and mounts it on an empty directory.
func (d *Disk) Mount(dir string) error {
	d.at.Lock()
	defer d.at.Unlock()
	d.mu.Lock()
	d.off = false
	life := d.life
	d.mu.Unlock()
	// Nothing is cached by the kernel: after a cut it would know what is gone.
	server, err := fs.Mount(dir, &node{disk: d, life: life, it: d.root}, &fs.Options{
		NullPermissions: true,
		RootStableAttr:  &fs.StableAttr{Ino: d.root.number},
		MountOptions:    fuse.MountOptions{FsName: "powerfs", DirectMountStrict: true, MaxWrite: 256 << 10},
	})
	if err != nil {
		return fmt.Errorf("mount a disk on %s: %w", dir, err)
	}
	d.dir, d.server = dir, server
	return nil
}

// Unmount takes the disk off its directory. A process that still holds a file of it
// can do nothing with it any more.
func (d *Disk) Unmount() error {
	d.at.Lock()
	defer d.at.Unlock()
	if d.server == nil {
		return nil
	}
	d.mu.Lock()
	d.life++
	d.mu.Unlock()
	if err := unix.Unmount(d.dir, unix.MNT_DETACH); err != nil {
		return fmt.Errorf("unmount the disk from %s: %w", d.dir, err)
	}
	d.server = nil // it ends when the last file is closed
	return nil
}
