//go:build !linux

package door

import (
	"net"
	"os"
)

// peer trusts the mode of the socket's file: who may open it is this process's user, or root.
func peer(net.Conn) (uid int, err error) { return os.Geteuid(), nil }
