// Command postgres is the reference of `bench -postgres`: what a team would write instead with
// PostgreSQL alone. The benchmark builds and starts it, and hands it the events of a log with the
// resources that the service gave for them. It is a module of its own so that PostgreSQL's driver
// stays out of the product's dependencies.
//
// Each event is one transaction in one round trip: the event's row with the bytes of the log, and
// a row for each resource with its JSON as jsonb. 64 connections write by synchronous commit. The
// design is spared what the service does besides: judging, rendering, earlier versions, and the
// indices that searches for dates and quantities need.
package main

import (
	"bufio"
	"context"
	"encoding/gob"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/signal"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "postgres:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) (err error) {
	fs := flag.NewFlagSet("postgres", flag.ExitOnError)
	rows := fs.String("rows", "", "the file of events and resources that the benchmark wrote")
	dir := fs.String("dir", "", "the folder in which the cluster gets a folder of its own, removed at the end")
	check := fs.Bool("check", false, "only tell whether PostgreSQL is there and can use the folder")
	if err := fs.Parse(args); err != nil {
		return err
	}
	m, err := look(*dir)
	if err != nil || *check {
		return err
	}
	file, err := os.Open(*rows)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }()
	c, err := start(ctx, m)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.stop()) }()
	s, err := open(ctx, c, gob.NewDecoder(bufio.NewReaderSize(file, 1<<20)))
	if err != nil {
		return err
	}
	defer s.close()
	lis, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	server := &http.Server{Handler: s.handler(), ReadHeaderTimeout: time.Minute}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(lis) }()
	defer func() { _ = server.Close() }()
	if err := json.NewEncoder(os.Stdout).
		Encode(map[string]string{"http": "http://" + lis.Addr().String(), "version": s.version}); err != nil {
		return err
	}
	select {
	case <-ctx.Done():
		return nil
	case err := <-c.ended:
		return fmt.Errorf("PostgreSQL ended by itself: %w: %s", err, c.said())
	case err := <-failed:
		return err
	}
}
