package space

import "golang.org/x/sys/windows"

func measure(folder string) (Disk, error) {
	path, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return Disk{}, err
	}
	var d Disk
	return d, windows.GetDiskFreeSpaceEx(path, &d.Free, &d.Total, nil)
}
