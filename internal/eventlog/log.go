package eventlog

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Config says which log to open.
type Config struct {
	Shard string // lower-case letters and digits; each shard is one stream
	// MaxBytes is the log's limit: beyond it the log refuses new events and never drops old
	// ones. 0 gives a new log DefaultMaxBytes.
	MaxBytes int64
	Resize   Resize // what MaxBytes does to an existing log
	Replicas int    // 1, or 3 on a cluster
	API      string // prefix of the JetStream API, if it is not the server's own: see Remote
	// Fingerprint is that of the site secret. A log that was made with another secret is
	// refused.
	Fingerprint string
	// Appends says that this process appends: it may have the server take batches on a log that was made
	// before there were any.
	Appends bool
	// Now returns the time of genesis.
	Now func() time.Time
	// Head is the file that keeps how far the log was acknowledged: see Head. Empty keeps none, as on a
	// cluster, where the quorum stands for it.
	Head string
	// Trail opens the shard's trail instead of its log: a stream of its own, with the same guarantees.
	Trail bool
	// Arrived makes a new log an invented one, and refuses any other log. It dates the entries
	// in place of the server, unless it returns zero. Only the demo sets it, for its year.
	Arrived func(*logv1.Event) time.Time
}

// arrivedHeader is the header with the arrival of an entry of an invented log, RFC 3339 in UTC.
const arrivedHeader = "Cannulary-Arrived"

// DefaultMaxBytes has room for some ten years of a large unit, at about 1 kB an event.
const DefaultMaxBytes = 16 << 30

// DefaultTrailBytes has room for some 20 million requests: an entry takes about 350 bytes, and 16 more for each
// patient whom it names. A unit of 200 patients with six tablets, and an EHR that asks every minute, makes
// some 3 million in a year.
const DefaultTrailBytes = 8 << 30

// maxEventBytes is the size of the largest event: the largest message plus what sealing adds.
const maxEventBytes = 2 << 20

// DuplicateWindow is how long the server itself recognises a message id.
const DuplicateWindow = 2 * time.Minute

// Log is an open log. It is safe for concurrent use.
type Log struct {
	js     jetstream.JetStream
	stream jetstream.Stream
	cfg    Config
	name   string
	id     string
	limit  Limit
	head   *header // nil for none
	writer *writer

	wrong    []WrongClock
	invented bool // the header of an entry may say when it arrived
	repaired bool // likewise: the entries were taken from another log
}

// Entry is one entry of the log: an event with its place and time.
type Entry struct {
	Seq  uint64
	Time time.Time // when the log received it, by a clock that was right; in an invented log, when its header says
	Data []byte    // the serialised logv1.Event
	// Entered is when the entry came into an extract of the log (package extract); zero in the log itself.
	Entered time.Time
}

// Source and id of events that the service itself appends.
const (
	ServiceSource  = "cannulary"
	genesisMessage = "genesis"
)

// Open opens the shard's stream, and makes it if there is none. It checks that the stream keeps
// what this program needs.
func Open(ctx context.Context, nc *nats.Conn, cfg Config) (*Log, error) {
	js, err := JetStream(nc, cfg.API)
	if err != nil {
		return nil, fmt.Errorf("open the log: %w", err)
	}
	if cfg.MaxBytes == 0 {
		cfg.MaxBytes, cfg.Resize = DefaultMaxBytes, Keep
		if cfg.Trail {
			cfg.MaxBytes = DefaultTrailBytes
		}
	}
	want := streamConfig(cfg)
	l := &Log{js: js, cfg: cfg, name: want.Name}
	l.stream, err = js.Stream(ctx, l.name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		l.stream, err = js.CreateStream(ctx, want)
	}
	if err != nil {
		return nil, fmt.Errorf("open stream %s: %w", l.name, NotYet(err))
	}
	if err := checkConfig(l.stream.CachedInfo().Config, want); err != nil {
		return nil, err
	}
	if err := l.resize(ctx); err != nil {
		return nil, err
	}
	if err := l.takeBatches(ctx); err != nil {
		return nil, err
	}
	if err := l.genesis(ctx); err != nil {
		return nil, err
	}
	if err := l.readWrongClocks(ctx); err != nil {
		return nil, err
	}
	if cfg.Head != "" {
		if l.head, err = openHeader(cfg.Head); err != nil {
			return nil, err
		}
	}
	l.writer = startWriter(l)
	return l, nil
}

// Close ends appending, and releases what the log keeps open beside the connection.
func (l *Log) Close() error {
	l.writer.stop()
	if l.head == nil {
		return nil
	}
	return l.head.close()
}

// streamConfig is what the shard's stream must be.
func streamConfig(cfg Config) jetstream.StreamConfig {
	name, about := StreamName(cfg.Shard), "the record of shard "
	if cfg.Trail {
		name, about = TrailName(cfg.Shard), "who asked for what of shard "
	}
	return jetstream.StreamConfig{
		Name: name, Description: "cannulary: " + about + cfg.Shard, Subjects: []string{cfg.prefix() + ".>"},
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy,
		MaxBytes: cfg.MaxBytes, Discard: jetstream.DiscardNew, MaxMsgSize: maxEventBytes,
		Replicas: cfg.Replicas, DenyDelete: true, DenyPurge: true, Duplicates: DuplicateWindow, AllowAtomicPublish: true,
	}
}

// checkConfig refuses a stream that could lose or change what it holds. It names each
// difference: what must be, and what is. Only the limit of bytes may differ.
func checkConfig(got, want jetstream.StreamConfig) error {
	var bad []string
	note := func(ok bool, must string, is any) {
		if !ok {
			bad = append(bad, fmt.Sprintf("%s (is %v)", must, is))
		}
	}
	note(got.Storage == jetstream.FileStorage, "storage must be file", got.Storage)
	note(got.Retention == jetstream.LimitsPolicy, "retention must be limits", got.Retention)
	note(got.Discard == jetstream.DiscardNew, "discard must be new, else the oldest events are dropped when it is full", got.Discard)
	note(got.MaxAge == 0, "max age must be off", got.MaxAge)
	note(got.MaxMsgs <= 0 && got.MaxMsgsPerSubject <= 0, "message limits must be off",
		fmt.Sprintf("%d, %d a subject", got.MaxMsgs, got.MaxMsgsPerSubject))
	note(got.MaxMsgSize <= 0 || got.MaxMsgSize >= want.MaxMsgSize, fmt.Sprintf("the largest message must be at least %d bytes",
		want.MaxMsgSize), got.MaxMsgSize)
	note(got.Replicas >= want.Replicas, fmt.Sprintf("replicas must be at least %d, as --replicas says", want.Replicas), got.Replicas)
	note(!got.Sealed, "it must not be sealed", "sealed")
	note(got.FirstSeq <= 1, "the first sequence must be 1", got.FirstSeq)
	note(got.DenyDelete && got.DenyPurge, "deletes and purges must be denied", fmt.Sprintf("deletes denied %v, purges denied %v",
		got.DenyDelete, got.DenyPurge))
	note(!got.AllowRollup && !got.AllowMsgTTL, "roll-up and message TTL must be off", "on")
	note(got.PersistMode == jetstream.DefaultPersistMode,
		"persist mode must be the default, else an acknowledged event may not be on disk", got.PersistMode)
	note(!got.NoAck, "acknowledgements must be on", "off")
	note(got.Duplicates >= DuplicateWindow, fmt.Sprintf("the duplicate window must be at least %s", DuplicateWindow), got.Duplicates)
	note(got.Mirror == nil && len(got.Sources) == 0 && got.SubjectTransform == nil,
		"mirror, sources and subject transform must be off", "on")
	note(got.RePublish == nil, "republishing must be off", "on")
	note(len(got.Subjects) == 1 && got.Subjects[0] == want.Subjects[0], "subjects must be "+want.Subjects[0], got.Subjects)
	if len(bad) > 0 {
		return fmt.Errorf("stream %s is not safe for the record: %s; it was made or changed by something else, correct it before starting",
			got.Name, strings.Join(bad, "; "))
	}
	return nil
}

// takeBatches has the stream take atomic batches. It stays without where the server does not let this process
// change it; then each event is written by itself.
func (l *Log) takeBatches(ctx context.Context) error {
	cfg := l.stream.CachedInfo().Config
	if !l.cfg.Appends || cfg.AllowAtomicPublish {
		return nil
	}
	cfg.AllowAtomicPublish = true
	s, err := l.js.UpdateStream(ctx, cfg)
	var api *jetstream.APIError
	if errors.As(err, &api) || errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrJetStreamNotEnabled) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("have stream %s take batches: %w", l.name, err)
	}
	l.stream = s
	return nil
}

// genesis reads the log's first entry. It writes it into an empty log.
func (l *Log) genesis(ctx context.Context) error {
	info, err := l.stream.Info(ctx)
	if err != nil {
		return fmt.Errorf("open stream %s: %w", l.name, err)
	}
	if info.State.LastSeq == 0 {
		id := make([]byte, 16)
		_, _ = rand.Read(id) // it never fails
		ev := &logv1.Event{
			Id: record.EventID(ServiceSource, genesisMessage), Source: ServiceSource, SourceMessageId: genesisMessage,
			OccurredAt: timestamppb.New(l.cfg.Now()), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
			Facts: []*logv1.Fact{{Fact: &logv1.Fact_Genesis{Genesis: &logv1.Genesis{
				LogId: hex.EncodeToString(id), Shard: l.cfg.Shard, SecretFingerprint: l.cfg.Fingerprint, Invented: l.cfg.Arrived != nil,
			}}}},
		}
		// If several processes start at once on an empty log, one writes. The others are told
		// that the log is no longer empty, and read what that one wrote.
		data, err := marshal(ev)
		if err != nil {
			return err
		}
		_, err = l.js.PublishMsg(ctx, l.message(l.waiting(ev, data), data), jetstream.WithExpectStream(l.name),
			jetstream.WithExpectLastSequence(0))
		var api *jetstream.APIError
		if err != nil && !(errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence) {
			return fmt.Errorf("write the log's first entry: %w", err)
		}
	}
	first, err := l.Get(ctx, 1)
	if err != nil {
		return fmt.Errorf("read the log's first entry: %w", err)
	}
	var ev logv1.Event
	if err := proto.Unmarshal(first.Data, &ev); err != nil || len(ev.GetFacts()) != 1 || ev.GetFacts()[0].GetGenesis() == nil {
		return fmt.Errorf("stream %s does not begin with this program's first entry: it is another program's stream or damaged", l.name)
	}
	g := ev.GetFacts()[0].GetGenesis()
	if g.GetShard() != l.cfg.Shard {
		return fmt.Errorf("the log is shard %q, not %q; name the right shard", g.GetShard(), l.cfg.Shard)
	}
	if g.GetSecretFingerprint() != l.cfg.Fingerprint {
		return fmt.Errorf("the log was made with another site secret (fingerprint %s, here %s): patients would get new keys; restore the "+
			"key store that belongs to this log", g.GetSecretFingerprint(), l.cfg.Fingerprint)
	}
	if l.cfg.Arrived != nil && !g.GetInvented() {
		return fmt.Errorf("the log (stream %s) holds no invented facts: its entries are dated by the server alone; give the demo a "+
			"folder of its own", l.name)
	}
	l.id, l.invented = g.GetLogId(), g.GetInvented()
	l.repaired = l.stream.CachedInfo().Config.Metadata[RepairKey] != ""
	return nil
}

// taken returns when the log received an entry.
func (l *Log) taken(seq uint64, server time.Time, h nats.Header) time.Time {
	return l.rightTime(seq, taken(server, h, l.invented, l.repaired))
}

// Taken returns when a log received an entry whose header stands in its file: the server's time; in an
// invented log, and for what a repair took over, the header's.
func Taken(server time.Time, header []byte, invented bool) time.Time {
	h, err := nats.DecodeHeadersMsg(header)
	if err != nil {
		return server.UTC()
	}
	return taken(server, h, invented, true) // only a repair writes that header
}

func taken(server time.Time, h nats.Header, invented, repaired bool) time.Time {
	var said string
	if repaired {
		said = h.Get(takenHeader)
	}
	if said == "" && invented {
		said = h.Get(arrivedHeader)
	}
	if at, err := time.Parse(time.RFC3339Nano, said); err == nil {
		return at.UTC()
	}
	return server.UTC()
}

// ID returns the log's own id. A repaired or replaced log has another.
func (l *Log) ID() string { return l.id }

// Shard returns the log's shard.
func (l *Log) Shard() string { return l.cfg.Shard }

// Token returns the consistency token of a sequence: "shard:sequence".
func (l *Log) Token(seq uint64) string { return fmt.Sprintf("%s:%d", l.cfg.Shard, seq) }

// subject contains no personal data: a facility's code and a keyed hash.
func (l *Log) subject(ev *logv1.Event) string {
	return strings.Join([]string{l.cfg.prefix(), cmp.Or(ev.GetFacility(), "_"), cmp.Or(ev.GetPatientKey(), "_")}, ".")
}

// prefix begins the subjects of a stream.
func (c Config) prefix() string {
	if c.Trail {
		return "cannulary-trail." + c.Shard
	}
	return "cannulary." + c.Shard
}

// Get reads one entry. It returns jetstream.ErrMsgNotFound if there is none.
func (l *Log) Get(ctx context.Context, seq uint64) (Entry, error) {
	m, err := l.stream.GetMsg(ctx, seq)
	if err != nil {
		return Entry{}, err
	}
	return Entry{Seq: m.Sequence, Time: l.taken(m.Sequence, m.Time, m.Header), Data: m.Data}, nil
}

// IsMissing reports that Get found no entry.
func IsMissing(err error) bool { return errors.Is(err, jetstream.ErrMsgNotFound) }

// State is the end and the size of the log.
type State struct {
	LastSeq  uint64
	LastTime time.Time
	Bytes    uint64
	MaxBytes int64
	// Missing is the number of entries that the server itself knows to be lost. Damage that the
	// server has not met is not among them: see Check.
	Missing uint64
}

// State asks the server for the log's end and size.
func (l *Log) State(ctx context.Context) (State, error) {
	info, err := l.stream.Info(ctx)
	if err != nil {
		return State{}, fmt.Errorf("ask the log for its state: %w", err)
	}
	st := info.State
	// Nothing is ever deleted and the first entry is 1, so a missing entry is damage.
	return State{LastSeq: st.LastSeq, LastTime: l.rightTime(st.LastSeq, st.LastTime.UTC()), Bytes: st.Bytes, MaxBytes: info.Config.MaxBytes,
		Missing: st.LastSeq - min(st.LastSeq, st.Msgs)}, nil
}
