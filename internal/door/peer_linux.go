package door

import (
	"errors"
	"net"
	"syscall"
)

// peer returns the user at the other end of a connection by a Unix socket, as the kernel noted it when it was made.
func peer(c net.Conn) (uid int, err error) {
	u, ok := c.(*net.UnixConn)
	if !ok {
		return 0, errors.New("the connection is none of a Unix socket")
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return 0, err
	}
	var cred *syscall.Ucred
	var asked error
	if err := raw.Control(func(fd uintptr) {
		cred, asked = syscall.GetsockoptUcred(int(fd), syscall.SOL_SOCKET, syscall.SO_PEERCRED)
	}); err != nil {
		return 0, err
	}
	if asked != nil {
		return 0, asked
	}
	return int(cred.Uid), nil
}
