// Package zone loads IANA time zones from the database that is compiled into the program, never
// from the machine's. Every replica must see the same days.
package zone

import (
	"archive/zip"
	"bytes"
	_ "embed" // for the database
	"fmt"
	"io"
	"sync"
	"time"
)

// database is the IANA time-zone database as Go distributes it (lib/time/zoneinfo.zip);
// time.LoadLocation would prefer whatever the machine has.
//
//go:embed zoneinfo.zip
var database []byte

var cache sync.Map // name → *time.Location; locations never change

// Load returns the zone of that IANA name, for instance Europe/Lisbon.
func Load(name string) (*time.Location, error) {
	if l, ok := cache.Load(name); ok {
		return l.(*time.Location), nil
	}
	if name == "" || name == "Local" || name == "Factory" { // Factory stands for a zone that is not set
		return nil, fmt.Errorf("%q is not an IANA time zone", name)
	}
	l, err := load(name)
	if err != nil {
		return nil, fmt.Errorf("%q is not an IANA time zone", name)
	}
	cache.Store(name, l)
	return l, nil
}

func load(name string) (*time.Location, error) {
	if name == "UTC" {
		return time.UTC, nil
	}
	z, err := zip.NewReader(bytes.NewReader(database), int64(len(database)))
	if err != nil {
		return nil, err
	}
	f, err := z.Open(name)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	data, err := io.ReadAll(f)
	if err != nil {
		return nil, err
	}
	return time.LoadLocationFromTZData(name, data)
}

// Date returns the local calendar day of t, YYYY-MM-DD.
func Date(t time.Time, l *time.Location) string { return t.In(l).Format(time.DateOnly) }

// step divides every change that a time zone makes to its clock (an hour, half an hour).
const step = 30 * time.Minute

// Midnight returns the first instant of the local day of t. If the clocks skip midnight, the day
// begins later; if they show it twice, it begins at the first.
func Midnight(t time.Time, l *time.Location) time.Time {
	y, m, d := t.In(l).Date()
	t = time.Date(y, m, d, 0, 0, 0, 0, l)
	for t.In(l).Day() != d {
		t = t.Add(step)
	}
	for t.Add(-step).In(l).Day() == d {
		t = t.Add(-step)
	}
	return t
}
