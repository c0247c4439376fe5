package powerfs

import (
	"context"
	"syscall"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// node shows an inode to the kernel. Every request is one step of the disk: it is
// done before the cut, or it fails.
type node struct {
	fs.Inode
	disk *Disk
	life int
	it   *inode
}

// handle is an open file.
type handle struct{ sync bool }

// Each method of a node is one request of the kernel.
var (
	_ fs.NodeLookuper   = (*node)(nil)
	_ fs.NodeGetattrer  = (*node)(nil)
	_ fs.NodeSetattrer  = (*node)(nil)
	_ fs.NodeStatfser   = (*node)(nil)
	_ fs.NodeReaddirer  = (*node)(nil)
	_ fs.NodeMkdirer    = (*node)(nil)
	_ fs.NodeMknoder    = (*node)(nil)
	_ fs.NodeSymlinker  = (*node)(nil)
	_ fs.NodeReadlinker = (*node)(nil)
	_ fs.NodeUnlinker   = (*node)(nil)
	_ fs.NodeRmdirer    = (*node)(nil)
	_ fs.NodeRenamer    = (*node)(nil)
	_ fs.NodeCreater    = (*node)(nil)
	_ fs.NodeOpener     = (*node)(nil)
	_ fs.NodeReader     = (*node)(nil)
	_ fs.NodeWriter     = (*node)(nil)
	_ fs.NodeFsyncer    = (*node)(nil)
)

// step does one thing to the disk, if it has power.
func (n *node) step(do func() syscall.Errno) syscall.Errno {
	n.disk.mu.Lock()
	defer n.disk.mu.Unlock()
	if n.disk.off || n.life != n.disk.life {
		return syscall.EIO
	}
	return do()
}

// alter does one thing that changes the disk, if it can be changed.
func (n *node) alter(do func() syscall.Errno) syscall.Errno {
	return n.step(func() syscall.Errno {
		if n.disk.fixed {
			return syscall.EROFS
		}
		return do()
	})
}

func (n *inode) attributes(out *fuse.Attr) {
	out.Ino, out.Mode, out.Nlink = n.number, n.mode, 1
	out.Size = uint64(len(n.data))
	out.Blocks = (out.Size + sector - 1) / sector
}

// show makes the kernel's name for an inode.
func (n *node) show(ctx context.Context, it *inode, out *fuse.EntryOut) *fs.Inode {
	it.attributes(&out.Attr)
	return n.NewInode(ctx, &node{disk: n.disk, life: n.life, it: it}, fs.StableAttr{Mode: it.mode & syscall.S_IFMT, Ino: it.number})
}

func (n *node) Lookup(ctx context.Context, name string, out *fuse.EntryOut) (shown *fs.Inode, errno syscall.Errno) {
	errno = n.step(func() syscall.Errno {
		it := n.it.names[name]
		if it == nil {
			return syscall.ENOENT
		}
		shown = n.show(ctx, it, out)
		return 0
	})
	return shown, errno
}

func (n *node) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	return n.step(func() syscall.Errno {
		n.it.attributes(&out.Attr)
		return 0
	})
}

func (n *node) Setattr(_ context.Context, _ fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	return n.alter(func() syscall.Errno {
		if size, ok := in.GetSize(); ok {
			n.it.write(write{at: int64(size), length: true})
		}
		if mode, ok := in.GetMode(); ok {
			n.it.mode = n.it.mode&syscall.S_IFMT | mode&^syscall.S_IFMT
		}
		n.it.attributes(&out.Attr)
		return 0
	})
}

// Statfs says that there is room: a store asks before it begins.
func (n *node) Statfs(_ context.Context, out *fuse.StatfsOut) syscall.Errno {
	const blocks = 1 << 28 // of 4 KiB: a terabyte
	*out = fuse.StatfsOut{Blocks: blocks, Bfree: blocks, Bavail: blocks, Files: blocks, Ffree: blocks, Bsize: 4096, Frsize: 4096, NameLen: 255}
	return 0
}

func (n *node) Readdir(context.Context) (list fs.DirStream, errno syscall.Errno) {
	errno = n.step(func() syscall.Errno {
		var entries []fuse.DirEntry
		for name, it := range n.it.names {
			entries = append(entries, fuse.DirEntry{Name: name, Mode: it.mode, Ino: it.number})
		}
		list = fs.NewListDirStream(entries)
		return 0
	})
	return list, errno
}

// add makes an inode of a new name.
func (n *node) add(ctx context.Context, name string, mode uint32, target string, out *fuse.EntryOut) (shown *fs.Inode, errno syscall.Errno) {
	errno = n.alter(func() syscall.Errno {
		if n.it.names[name] != nil {
			return syscall.EEXIST
		}
		it := n.disk.create(mode)
		it.target = target
		n.it.bind(change{name: it})
		shown = n.show(ctx, it, out)
		return 0
	})
	return shown, errno
}

func (n *node) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return n.add(ctx, name, syscall.S_IFDIR|mode, "", out)
}

func (n *node) Mknod(ctx context.Context, name string, mode, _ uint32, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return n.add(ctx, name, mode, "", out)
}

func (n *node) Symlink(ctx context.Context, target, name string, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	return n.add(ctx, name, syscall.S_IFLNK|0o777, target, out)
}

func (n *node) Readlink(context.Context) (target []byte, errno syscall.Errno) {
	errno = n.step(func() syscall.Errno {
		target = []byte(n.it.target)
		return 0
	})
	return target, errno
}

func (n *node) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (*fs.Inode, fs.FileHandle, uint32, syscall.Errno) {
	shown, errno := n.add(ctx, name, syscall.S_IFREG|mode, "", out)
	if errno != 0 {
		return nil, nil, 0, errno
	}
	return shown, newHandle(flags), fuse.FOPEN_DIRECT_IO, 0
}

func newHandle(flags uint32) *handle { return &handle{sync: flags&syscall.O_DSYNC != 0} } // a part of O_SYNC

func (n *node) Unlink(_ context.Context, name string) syscall.Errno {
	return n.alter(func() syscall.Errno {
		if n.it.names[name] == nil {
			return syscall.ENOENT
		}
		n.it.bind(change{name: nil})
		return 0
	})
}

func (n *node) Rmdir(_ context.Context, name string) syscall.Errno {
	return n.alter(func() syscall.Errno {
		it := n.it.names[name]
		switch {
		case it == nil:
			return syscall.ENOENT
		case len(it.names) > 0:
			return syscall.ENOTEMPTY
		}
		n.it.bind(change{name: nil})
		return 0
	})
}

func (n *node) Rename(_ context.Context, name string, newParent fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	to, ok := newParent.(*node)
	if !ok || flags != 0 {
		return syscall.ENOTSUP
	}
	return n.alter(func() syscall.Errno {
		it, old := n.it.names[name], to.it.names[newName]
		switch {
		case it == nil:
			return syscall.ENOENT
		case old != nil && len(old.names) > 0:
			return syscall.ENOTEMPTY
		case to == n:
			if name != newName {
				n.it.bind(change{name: nil, newName: it})
			}
			return 0
		}
		to.it.bind(change{newName: it})
		n.it.bind(change{name: nil})
		return 0
	})
}

func (n *node) Open(_ context.Context, flags uint32) (fs.FileHandle, uint32, syscall.Errno) {
	step := n.step
	if flags&(syscall.O_WRONLY|syscall.O_RDWR|syscall.O_TRUNC) != 0 {
		step = n.alter
	}
	errno := step(func() syscall.Errno {
		if flags&syscall.O_TRUNC != 0 {
			n.it.write(write{length: true})
		}
		return 0
	})
	return newHandle(flags), fuse.FOPEN_DIRECT_IO, errno
}

func (n *node) Read(_ context.Context, _ fs.FileHandle, dest []byte, off int64) (result fuse.ReadResult, errno syscall.Errno) {
	errno = n.step(func() syscall.Errno {
		from := min(off, int64(len(n.it.data)))
		result = fuse.ReadResultData(dest[:copy(dest, n.it.data[from:])])
		return 0
	})
	return result, errno
}

func (n *node) Write(_ context.Context, f fs.FileHandle, data []byte, off int64) (written uint32, errno syscall.Errno) {
	errno = n.alter(func() syscall.Errno {
		n.it.write(write{at: off, bytes: append([]byte(nil), data...)})
		if h, ok := f.(*handle); ok && h.sync {
			n.it.sync()
		}
		written = uint32(len(data))
		return 0
	})
	return written, errno
}

// Fsync syncs a file, or the names of a directory.
func (n *node) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	return n.step(func() syscall.Errno {
		if n.it.failing {
			n.it.failing, n.it.writes = false, nil
			return syscall.EIO
		}
		n.it.sync()
		return 0
	})
}
