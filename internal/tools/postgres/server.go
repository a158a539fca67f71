package main

import (
	"context"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// connections is how many transactions are under way at a time.
const connections = 64

// event is one of the log with the newest versions that it gave. The benchmark writes the same
// fields.
type event struct {
	Seq         int64
	ID, Patient string
	Logged      time.Time
	Data        []byte
	Resources   []resource
}

type resource struct {
	Type, ID, Patient string
	Version           int
	Updated           time.Time
	Body              []byte
}

// schema has the tables, and for the same searches: a resource by its id, by what changed since,
// by its patient, and by any value that stands in it.
func schema() []string {
	return []string{
		`CREATE TABLE event (seq bigint PRIMARY KEY, id text NOT NULL UNIQUE, patient text NOT NULL,
			logged timestamptz NOT NULL, data bytea NOT NULL)`,
		`CREATE TABLE resource (type text NOT NULL, id text NOT NULL, patient text NOT NULL, version int NOT NULL,
			updated timestamptz NOT NULL, event bigint NOT NULL, body jsonb NOT NULL, PRIMARY KEY (type, id))`,
		`CREATE INDEX ON resource (type, updated)`,
		`CREATE INDEX ON resource (patient, type, updated)`,
		`CREATE INDEX ON resource USING gin (body jsonb_path_ops)`,
	}
}

const (
	insertEvent = `INSERT INTO event (seq, id, patient, logged, data) VALUES ($1, $2, $3, $4, $5)`

	insertResources = `INSERT INTO resource (type, id, patient, version, updated, event, body)
		SELECT type, id, patient, version, updated, $1, body::jsonb
		FROM unnest($2::text[], $3::text[], $4::text[], $5::int[], $6::timestamptz[], $7::text[])
			AS r (type, id, patient, version, updated, body)`
	selectPage = `SELECT body::text FROM resource WHERE patient = $1 AND type = 'Observation' ORDER BY updated, id LIMIT 50`
)

// server writes and reads for the benchmark, by HTTP.
type server struct {
	version string
	rows    *gob.Decoder
	writers []*pgx.Conn

	mu     sync.Mutex // one request at a time
	reader *pgx.Conn
}

func open(ctx context.Context, c *cluster, rows *gob.Decoder) (*server, error) {
	s := &server{rows: rows}
	for len(s.writers) < connections {
		conn, err := c.connect(ctx)
		if err != nil {
			s.close()
			return nil, err
		}
		s.writers = append(s.writers, conn)
	}
	s.reader = s.writers[0]
	for _, q := range schema() {
		if _, err := s.reader.Exec(ctx, q); err != nil {
			s.close()
			return nil, fmt.Errorf("%w in %q", err, q)
		}
	}
	number, _, _ := strings.Cut(s.reader.PgConn().ParameterStatus("server_version"), " ")
	s.version = "PostgreSQL " + number
	return s, nil
}

func (s *server) close() {
	for _, conn := range s.writers {
		_ = conn.Close(context.Background()) // the process is stopped next
	}
}

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, f := range map[string]func(*http.Request) (any, error){
		"POST /load": func(r *http.Request) (any, error) {
			n, err := strconv.Atoi(r.FormValue("n"))
			if err != nil {
				return nil, err
			}
			return s.load(r.Context(), n)
		},
		"POST /vacuum": func(r *http.Request) (any, error) {
			_, err := s.reader.Exec(r.Context(), `VACUUM ANALYZE`)
			return struct{}{}, err
		},
		"GET /size": func(r *http.Request) (any, error) {
			var n int64
			err := s.reader.QueryRow(r.Context(), `SELECT pg_total_relation_size('event') + pg_total_relation_size('resource')`).Scan(&n)
			return map[string]int64{"bytes": n}, err
		},
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			s.mu.Lock()
			defer s.mu.Unlock()
			answer, err := f(r)
			if err != nil {
				http.Error(w, err.Error(), http.StatusInternalServerError)
				return
			}
			_ = json.NewEncoder(w).Encode(answer) // the client may be gone
		})
	}
	mux.HandleFunc("GET /page", s.page)
	return mux
}

// loaded is what a load wrote. Seconds run from the first transaction to the last answer; by then
// all can be queried.
type loaded struct {
	Events    int     `json:"events"`
	Resources int     `json:"resources"`
	Seconds   float64 `json:"seconds"`
}

// load writes the next n events of the file, or those that are left.
func (s *server) load(ctx context.Context, n int) (out loaded, err error) {
	var list []event
	for len(list) < n {
		var e event
		if err := s.rows.Decode(&e); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return out, err
		}
		list = append(list, e)
		out.Resources += len(e.Resources)
	}
	out.Events = len(list)
	next := make(chan *event, len(list))
	for i := range list {
		next <- &list[i]
	}
	close(next)
	failed := make(chan error, connections)
	var work sync.WaitGroup
	began := time.Now()
	for _, conn := range s.writers {
		work.Go(func() {
			for e := range next {
				if err := write(ctx, conn, e); err != nil {
					failed <- fmt.Errorf("event %d: %w", e.Seq, err)
					return
				}
			}
		})
	}
	work.Wait()
	out.Seconds = time.Since(began).Seconds()
	select {
	case err = <-failed:
	default:
	}
	return out, err
}

// write is the transaction of an event: what a batch sends is committed as one.
func write(ctx context.Context, conn *pgx.Conn, e *event) error {
	b := &pgx.Batch{}
	b.Queue(insertEvent, e.Seq, e.ID, e.Patient, e.Logged, e.Data)
	if n := len(e.Resources); n > 0 {
		types, ids, patients, bodies := make([]string, n), make([]string, n), make([]string, n), make([]string, n)
		versions, updated := make([]int32, n), make([]time.Time, n)
		for i, r := range e.Resources {
			types[i], ids[i], patients[i], bodies[i] = r.Type, r.ID, r.Patient, string(r.Body)
			versions[i], updated[i] = int32(r.Version), r.Updated
		}
		b.Queue(insertResources, e.Seq, types, ids, patients, versions, updated, bodies)
	}
	return conn.SendBatch(ctx, b).Close()
}

// page writes the bodies of a patient's first 50 Observations, as the service's own reference
// does from its file.
func (s *server) page(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	rows, err := s.reader.Query(r.Context(), selectPage, r.FormValue("patient"))
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		n++
		_, _ = w.Write(rows.RawValues()[0])
	}
	if rows.Err() != nil || n != 50 {
		panic(http.ErrAbortHandler) // the status is out; a broken connection tells the client
	}
}
