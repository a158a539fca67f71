// Package logfile reads the files of an embedded log and never writes to them. The log's server
// cuts a file off at the first entry that it cannot read, so somebody has to look before the server
// does.
//
// It knows the files of NATS JetStream's file store as server 2.15 writes them, neither compressed
// nor encrypted; a folder that this version wrote is kept beside the tests. Of any other files it
// says that it cannot check them, never that they are whole.
//
// It may import no other package of this program.
package logfile
