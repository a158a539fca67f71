// Package testkit starts the parts of ingest for tests: an embedded log server on a
// temporary folder, the key ring, intake, and a gRPC server on a free port of the loop
// interface, all real. It also has one valid message for every kind of fact. Its scenario
// is invented.
package testkit
