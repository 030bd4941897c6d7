//go:build linux && amd64

// Package faults is a virtual file system for tests: it runs a program as it
// is, stands between it and the kernel at each of its operations on files below
// one folder, and lets them pass, fail, or be the program's last.
//
// The kernel asks it before every such system call (seccomp_unotify(2)), so
// nothing in the program knows of it.
package faults

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Op is an operation on a file.
type Op struct {
	Kind Kind
	Path string // below the folder
}

// Kind is what an operation does.
type Kind string

// The kinds of operations.
const (
	Open     Kind = "open"
	Read     Kind = "read"
	Write    Kind = "write"
	Sync     Kind = "sync"
	Truncate Kind = "truncate"
	Rename   Kind = "rename"
	Remove   Kind = "remove"
)

// Fault is what happens to an operation.
type Fault int

// What can happen.
const (
	None     Fault = iota
	IOError        // it fails as on a broken disk
	NoSpace        // it fails as on a full disk
	Kill           // the program is killed before it
	Tear           // the program is killed halfway through a write
	PowerCut       // the power fails before it: what was not synced is lost
)

func (f Fault) String() string {
	return [...]string{"none", "input/output error", "disk full", "kill", "kill within a write", "power cut"}[f]
}

// Fits reports whether f can happen to an operation of kind k.
func (f Fault) Fits(k Kind) bool {
	switch f {
	case NoSpace:
		return k != Read && k != Remove
	case Tear:
		return k == Write
	}
	return true
}

// calls are the system calls that are asked about: kind, and argument that is
// the file, as a descriptor or as a path.
var calls = map[int32]struct {
	kind Kind
	arg  int
	path bool
}{
	unix.SYS_READ: {kind: Read}, unix.SYS_PREAD64: {kind: Read}, unix.SYS_READV: {kind: Read},
	unix.SYS_WRITE: {kind: Write}, unix.SYS_PWRITE64: {kind: Write}, unix.SYS_WRITEV: {kind: Write},
	unix.SYS_FSYNC: {kind: Sync}, unix.SYS_FDATASYNC: {kind: Sync}, unix.SYS_FTRUNCATE: {kind: Truncate},
	unix.SYS_OPEN: {Open, 0, true}, unix.SYS_OPENAT: {Open, 1, true},
	unix.SYS_UNLINK: {Remove, 0, true}, unix.SYS_UNLINKAT: {Remove, 1, true},
	unix.SYS_RENAME: {Rename, 1, true}, unix.SYS_RENAMEAT: {Rename, 3, true}, unix.SYS_RENAMEAT2: {Rename, 3, true},
}

// launchEnv is set in the environment of the copy of the test program that
// becomes the program under test.
const launchEnv = "TIMEBALL_TEST_FAULTS"

// Main is to be called first in TestMain.
func Main() {
	if os.Getenv(launchEnv) == "" {
		return
	}
	os.Unsetenv(launchEnv)
	fmt.Fprintln(os.Stderr, launch())
	os.Exit(127)
}

// launch puts the filter on this thread, hands its other end to the parent, and
// becomes the program.
func launch() error {
	runtime.LockOSThread()
	filter := []unix.SockFilter{{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: 0}} // number of the call
	for nr := range calls {
		filter = append(filter,
			unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, K: uint32(nr), Jf: 1},
			unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_USER_NOTIF})
	}
	filter = append(filter, unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW})
	prog := unix.SockFprog{Len: uint16(len(filter)), Filter: &filter[0]}
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return err
	}
	fd, _, no := unix.RawSyscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, unix.SECCOMP_FILTER_FLAG_NEW_LISTENER, uintptr(unsafe.Pointer(&prog)))
	if no != 0 {
		return no
	}
	const parent = 3
	if err := unix.Sendmsg(parent, []byte{0}, unix.UnixRights(int(fd)), nil, 0); err != nil {
		return err
	}
	unix.Close(parent)
	unix.Close(int(fd))
	return syscall.Exec(os.Args[1], os.Args[1:], os.Environ())
}

// ErrUnavailable is in the chain of errors where the kernel forbids this.
var ErrUnavailable = errors.New("system calls cannot be watched here")

// Run runs cmd, whose Path must be absolute, and lets fault happen to its n-th
// operation below folder, counted from 0, if that is of the kind that fault
// fits. It returns all operations up to the end, and what cmd.Wait returned.
func Run(cmd *exec.Cmd, folder string, n int, fault Fault) (ops []Op, waited, err error) {
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, nil, err
	}
	ours, theirs := os.NewFile(uintptr(pair[0]), "ours"), os.NewFile(uintptr(pair[1]), "theirs")
	defer ours.Close()
	cmd.Args = append([]string{os.Args[0], cmd.Path}, cmd.Args[1:]...)
	cmd.Path = "/proc/self/exe"
	cmd.Env = append(cmd.Environ(), launchEnv+"=1")
	cmd.ExtraFiles = []*os.File{theirs}
	err = cmd.Start()
	theirs.Close()
	if err != nil {
		return nil, nil, err
	}
	listener, err := receive(ours)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w, %w", ErrUnavailable, err, cmd.Wait())
	}
	defer unix.Close(listener)
	w := watch{pid: cmd.Process.Pid, listener: listener, folder: folder, disk: newDisk(folder)}
	ended := make(chan error, 1)
	go func() {
		err := w.serve(n, fault)
		if err != nil {
			cmd.Process.Kill() // nobody answers it any more
		}
		ended <- err
	}()
	waited = cmd.Wait()
	err = <-ended
	if err == nil && w.cut {
		err = w.disk.restore()
	}
	return w.ops, waited, err
}

// receive takes a descriptor from the other end of a socket.
func receive(socket *os.File) (int, error) {
	conn, err := net.FileConn(socket)
	if err != nil {
		return 0, err
	}
	defer conn.Close()
	oob := make([]byte, unix.CmsgSpace(4))
	_, k, _, _, err := conn.(*net.UnixConn).ReadMsgUnix(make([]byte, 1), oob)
	if err != nil {
		return 0, err
	}
	messages, err := unix.ParseSocketControlMessage(oob[:k])
	if err != nil || len(messages) == 0 {
		return 0, errors.New("the program did not start")
	}
	fds, err := unix.ParseUnixRights(&messages[0])
	if err != nil {
		return 0, err
	}
	return fds[0], nil
}

// notification is struct seccomp_notif of seccomp_unotify(2).
type notification struct {
	id    uint64
	pid   uint32
	flags uint32
	nr    int32
	arch  uint32
	ip    uint64
	args  [6]uint64
}

// response is struct seccomp_notif_resp.
type response struct {
	id    uint64
	value int64
	error int32
	flags uint32
}

// watch is one run.
type watch struct {
	pid, listener int
	folder        string
	disk          *disk
	ops           []Op
	cut           bool
}

// serve answers the kernel until the program has ended, when the other end
// hangs up.
func (w *watch) serve(n int, fault Fault) error {
	for {
		poll := []unix.PollFd{{Fd: int32(w.listener), Events: unix.POLLIN}}
		if _, err := unix.Poll(poll, -1); err == unix.EINTR {
			continue
		} else if err != nil {
			return err
		}
		if poll[0].Revents&unix.POLLIN == 0 {
			return nil
		}
		var call notification
		if err := w.ioctl(unix.SECCOMP_IOCTL_NOTIF_RECV, unsafe.Pointer(&call)); err == unix.ENOENT || err == unix.EINTR {
			continue // that thread has been killed or interrupted
		} else if err != nil {
			return err
		}
		answer := response{id: call.id, flags: unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE}
		if op, ok := w.operation(&call); ok {
			at := len(w.ops)
			w.ops = append(w.ops, op)
			if at == n && fault.Fits(op.Kind) {
				switch fault {
				case IOError:
					answer = response{id: call.id, error: -int32(unix.EIO)}
				case NoSpace:
					answer = response{id: call.id, error: -int32(unix.ENOSPC)}
				case Tear:
					if err := w.half(&call); err != nil {
						return err
					}
					fallthrough
				case Kill, PowerCut:
					w.cut = fault == PowerCut
					return unix.Kill(w.pid, unix.SIGKILL)
				}
			}
			if answer.error == 0 && op.Kind == Sync {
				if err := w.disk.sync(op.Path); err != nil {
					return err
				}
			}
		}
		if err := w.ioctl(unix.SECCOMP_IOCTL_NOTIF_SEND, unsafe.Pointer(&answer)); err != nil && err != unix.ENOENT {
			return err
		}
	}
}

func (w *watch) ioctl(request uint, arg unsafe.Pointer) error {
	if _, _, no := unix.Syscall(unix.SYS_IOCTL, uintptr(w.listener), uintptr(request), uintptr(arg)); no != 0 {
		return no
	}
	return nil
}

// operation says what a call does to a file below the folder.
func (w *watch) operation(call *notification) (Op, bool) {
	c, ok := calls[call.nr]
	if !ok {
		return Op{}, false
	}
	var path string
	if c.path {
		raw := make([]byte, unix.PathMax)
		k, _ := w.memory(call, raw, call.args[c.arg])
		end := bytes.IndexByte(raw[:k], 0)
		if end < 0 {
			return Op{}, false
		}
		path = string(raw[:end])
	} else {
		path, _ = os.Readlink(w.descriptor(call))
	}
	if path != w.folder && !strings.HasPrefix(path, w.folder+"/") {
		return Op{}, false
	}
	return Op{c.kind, strings.TrimSuffix(path, " (deleted)")}, true
}

// descriptor is the caller's open file, in the file system of processes.
func (w *watch) descriptor(call *notification) string {
	return fmt.Sprintf("/proc/%d/fd/%d", call.pid, int32(call.args[0]))
}

// memory reads the caller's memory.
func (w *watch) memory(call *notification, into []byte, at uint64) (int, error) {
	f, err := os.Open(fmt.Sprintf("/proc/%d/mem", call.pid))
	if err != nil {
		return 0, err
	}
	defer f.Close()
	k, err := f.ReadAt(into, int64(at))
	if k > 0 { // up to the end of what is mapped
		err = nil
	}
	return k, err
}

// half does the first half of a write.
func (w *watch) half(call *notification) error {
	if call.nr == unix.SYS_WRITEV {
		return nil
	}
	data := make([]byte, call.args[2]/2)
	if _, err := w.memory(call, data, call.args[1]); err != nil && len(data) > 0 {
		return err
	}
	at := int64(call.args[3])
	if call.nr == unix.SYS_WRITE {
		info, err := os.ReadFile(fmt.Sprintf("/proc/%d/fdinfo/%d", call.pid, int32(call.args[0])))
		if err != nil {
			return err
		}
		if _, err := fmt.Sscanf(string(info), "pos: %d", &at); err != nil {
			return err
		}
	}
	path, err := os.Readlink(w.descriptor(call))
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(data, at)
	return errors.Join(err, f.Close())
}

// disk is what a folder holds for certain: of each file what it was when it was
// last synced, under the names that its folder had when that was.
type disk struct {
	folder string
	data   map[uint64][]byte            // by inode
	names  map[string]map[string]uint64 // by folder and name
}

// newDisk takes what is there for certain.
func newDisk(folder string) *disk {
	d := &disk{folder: folder, data: map[uint64][]byte{}, names: map[string]map[string]uint64{}}
	filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err == nil {
			err = d.sync(path)
		}
		return err
	})
	return d
}

// sync makes certain what path now is.
func (d *disk) sync(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return nil // deleted while open
	}
	if !info.IsDir() {
		d.data[inode(info)], err = os.ReadFile(path)
		return err
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return err
	}
	names := map[string]uint64{}
	for _, e := range entries {
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() {
			names[e.Name()] = inode(info)
		}
	}
	d.names[path] = names
	return nil
}

func inode(info fs.FileInfo) uint64 { return info.Sys().(*syscall.Stat_t).Ino }

// restore makes the folder what it is after the power has failed.
func (d *disk) restore() error {
	var files []string
	err := filepath.WalkDir(d.folder, func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, path := range files {
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	for folder, names := range d.names {
		if err := os.MkdirAll(folder, 0o700); err != nil {
			return err
		}
		for name, inode := range names {
			if err := os.WriteFile(filepath.Join(folder, name), d.data[inode], 0o600); err != nil {
				return err
			}
		}
	}
	return nil
}

// Kinds lists the kinds among ops, for reports.
func Kinds(ops []Op) string {
	count := map[Kind]int{}
	for _, op := range ops {
		count[op.Kind]++
	}
	var parts []string
	for kind, n := range count {
		parts = append(parts, fmt.Sprintf("%d %s", n, kind))
	}
	slices.Sort(parts)
	return strings.Join(parts, ", ")
}
