package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/time/rate"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/bucket"
	"cannulary/internal/fault"
)

// A code is eight groups of four signs that a person can read aloud (Crockford's base 32, which has no I, L, O and U).
// The first group is its name, the others are 140 random bits.
const (
	alphabet   = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	group      = 4
	codeLength = 8 * group
	// glassLife is how long a session by a sealed code lasts.
	glassLife = 30 * time.Minute
	// MaxCodes is how many codes a facility can have at once.
	MaxCodes = 200
	maxSaid  = 500 // bytes of a name or a reason
)

// The slow hash is Argon2id with the least that OWASP's Password Storage Cheat Sheet asks for: 19 MiB, two passes, one
// lane. The code's own bits would do; the hash is for who finds the bucket's file.
const (
	hashMemory = 19 << 10 // KiB
	hashPasses = 2
	hashLanes  = 1
	hashLength = 32
)

// A guess costs a hash: two at once, and one every two seconds after the first five, whoever guesses.
const (
	guessesAtOnce = 2
	guessEvery    = 2 * time.Second
	guessBurst    = 5
)

// glass is what a process keeps of break-glass.
type glass struct {
	guesses *rate.Limiter
	hashing chan struct{}

	mu   sync.Mutex
	uses []Use // as the bucket has them, from the first; what was reviewed stays so
}

func newGlass() glass {
	return glass{guesses: rate.NewLimiter(rate.Every(guessEvery), guessBurst), hashing: make(chan struct{}, guessesAtOnce)}
}

// storedCode is a code as the bucket holds it.
type storedCode struct {
	Facility string `json:"facility"`
	Batch    string `json:"batch"`
	Salt     []byte `json:"salt"`
	Hash     []byte `json:"hash"`
	Memory   uint32 `json:"memory"`
	Passes   uint32 `json:"passes"`
	Lanes    uint8  `json:"lanes"`
}

// fresh is a code to be hashed as codes are today.
func fresh(salt []byte) storedCode {
	return storedCode{Salt: salt, Memory: hashMemory, Passes: hashPasses, Lanes: hashLanes}
}

func (c *storedCode) hash(typed string) []byte {
	return argon2.IDKey([]byte(typed), c.Salt, c.Passes, c.Memory, c.Lanes, hashLength)
}

// Use says who broke the glass.
type Use struct {
	Number   int       `json:"-"`
	Code     string    `json:"code"` // its name
	Facility string    `json:"facility"`
	Name     string    `json:"name"` // as the person wrote it
	Reason   string    `json:"reason"`
	At       time.Time `json:"at"`
	Review   *Review   `json:"-"` // nil until somebody looked at it
}

// Review says who looked at a use.
type Review struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// MakeCodes makes n new codes of a facility and returns them, for the only time. Those that the facility had count no more.
func MakeCodes(ctx context.Context, b *bucket.Bucket, facility string, n int) ([]string, error) {
	if n < 1 || n > MaxCodes {
		return nil, fmt.Errorf("%d codes cannot be made; 1 to %d can", n, MaxCodes)
	}
	batch := secret()
	var out []string
	for len(out) < n {
		random := make([]byte, codeLength)
		_, _ = rand.Read(random) // it never fails
		for i := range random {
			random[i] = alphabet[int(random[i])%len(alphabet)] // 256 is a multiple of 32: no sign is more frequent
		}
		typed := string(random)
		c := fresh([]byte(rand.Text()))
		c.Facility, c.Batch = facility, batch
		c.Hash = c.hash(typed)
		value, err := json.Marshal(c)
		if err != nil {
			return nil, err
		}
		err = b.Create(ctx, "code."+typed[:group], value)
		if errors.Is(err, bucket.ErrTaken) {
			continue // another code has the name
		}
		if err != nil {
			return nil, err
		}
		out = append(out, written(typed))
	}
	return out, b.Put(ctx, "batch."+digest(facility), []byte(batch))
}

// written is a code in groups.
func written(typed string) string {
	var groups []string
	for i := 0; i < len(typed); i += group {
		groups = append(groups, typed[i:i+group])
	}
	return strings.Join(groups, "-")
}

// readCode reads what a person typed: in any case, with or without its dashes, and with letters that look like digits.
func readCode(typed string) string {
	typed = strings.NewReplacer("-", "", " ", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(typed))
	if len(typed) != codeLength || strings.Trim(typed, alphabet) != "" {
		return ""
	}
	return typed
}

// wrongCode is the fault of a code that is not good, whatever is wrong with it.
func wrongCode() error {
	return fault.New(fault.Denied, "this code is not good, or it was used before", "compare it with the paper, or open the next one")
}

// guess returns the code that a person typed, if it is one, of its facility's newest, and not used. It costs a slow hash
// in any case.
func (s *Service) guess(ctx context.Context, typed string) (name string, c storedCode, err error) {
	if !s.glass.guesses.AllowN(s.cfg.Now(), 1) {
		return "", c, fault.New(fault.Limited, "too many codes were tried in the last seconds", "wait ten seconds, then type it again")
	}
	select {
	case s.glass.hashing <- struct{}{}:
		defer func() { <-s.glass.hashing }()
	case <-ctx.Done():
		return "", c, ctx.Err()
	}
	code := readCode(typed)
	if code == "" {
		return "", c, wrongCode()
	}
	name = code[:group]
	value, err := s.cfg.Glass.Get(ctx, "code."+name)
	if errors.Is(err, bucket.ErrMissing) {
		c = fresh(make([]byte, len(rand.Text()))) // it costs the same, and fits nothing
		c.Hash = make([]byte, hashLength)
	} else if err != nil {
		return "", c, err
	} else if err := json.Unmarshal(value, &c); err != nil {
		return "", c, err
	}
	if subtle.ConstantTimeCompare(c.hash(code), c.Hash) != 1 {
		return "", c, wrongCode()
	}
	batch, err := s.cfg.Glass.Get(ctx, "batch."+digest(c.Facility))
	if errors.Is(err, bucket.ErrMissing) || err == nil && string(batch) != c.Batch {
		return "", c, wrongCode()
	}
	return name, c, err
}

// breakGlass shows the form; sent, it takes a code and opens a short session.
func (s *Service) breakGlass(w http.ResponseWriter, r *http.Request) error {
	if _, err := answer.Query(r); err != nil {
		return err
	}
	if r.Method != http.MethodPost {
		return s.show(w, r, "glass", "Break-glass", nil)
	}
	r.Body = http.MaxBytesReader(w, r.Body, 8<<10)
	if err := r.ParseForm(); err != nil {
		return fault.New(fault.Invalid, "the form cannot be read", "fill it in again at "+glassPath)
	}
	use := Use{Name: strings.TrimSpace(r.PostForm.Get("name")), Reason: strings.TrimSpace(r.PostForm.Get("reason")), At: s.cfg.Now().UTC()}
	for what, said := range map[string]string{"name": use.Name, "reason": use.Reason} {
		if said == "" || len(said) > maxSaid || !utf8.ValidString(said) {
			return fault.New(fault.Invalid, "your "+what+" is missing or has more than 500 bytes; the code was not used",
				"write code, name and reason, then send the form again")
		}
	}
	ctx := r.Context()
	name, code, err := s.guess(ctx, r.PostForm.Get("code"))
	if err != nil {
		if fault.As(err).Kind == fault.Denied {
			s.cfg.Log.WarnContext(ctx, "a break-glass code was refused")
		}
		return err
	}
	use.Code, use.Facility = name, code.Facility
	one := session{Code: name, Facility: code.Facility, Began: use.At, Seen: use.At, Checked: use.At, Ends: use.At.Add(glassLife)}
	if err := s.known(ctx, &one, use.Name); err != nil {
		return err
	}
	value, err := json.Marshal(use)
	if err != nil {
		return err
	}
	// Whoever makes this key has the code, at whatever process.
	if err := s.cfg.Glass.Create(ctx, "used."+name, value); errors.Is(err, bucket.ErrTaken) {
		s.cfg.Log.WarnContext(ctx, "a break-glass code was used a second time", "code", name)
		return wrongCode()
	} else if err != nil {
		return err
	}
	if err := s.note(ctx, value); err != nil { // nobody gets in without standing on the list
		return err
	}
	before, err := s.of(r)
	if err == nil && before != nil {
		err = s.end(ctx, before)
	}
	if err != nil {
		return err
	}
	cookie, err := s.create(ctx, one, secrets{Name: use.Name})
	if err != nil {
		return err
	}
	s.setCookie(w, "session", cookie, 0)
	s.cfg.Log.WarnContext(ctx, "the glass was broken: a sealed code opened a session", "code", name, "facility", code.Facility)
	http.Redirect(w, r, s.prefix+"/", http.StatusSeeOther)
	return nil
}

// note puts a use at the end of the list.
func (s *Service) note(ctx context.Context, value []byte) error {
	uses, err := s.Uses(ctx)
	for n := len(uses) + 1; err == nil; n++ {
		err = s.cfg.Glass.Create(ctx, "use."+strconv.Itoa(n), value)
		if !errors.Is(err, bucket.ErrTaken) {
			return err
		}
		err = nil
	}
	return err
}

// Uses lists who broke the glass, the first one first, with their reviews.
func (s *Service) Uses(ctx context.Context) ([]Use, error) {
	g := &s.glass
	g.mu.Lock()
	defer g.mu.Unlock()
	for {
		n := len(g.uses) + 1
		value, err := s.cfg.Glass.Get(ctx, "use."+strconv.Itoa(n))
		if errors.Is(err, bucket.ErrMissing) {
			break
		}
		u := Use{Number: n}
		if err == nil {
			err = json.Unmarshal(value, &u)
		}
		if err != nil {
			return nil, err
		}
		g.uses = append(g.uses, u)
	}
	for i := range g.uses {
		if g.uses[i].Review != nil {
			continue
		}
		value, err := s.cfg.Glass.Get(ctx, "reviewed."+strconv.Itoa(i+1))
		if errors.Is(err, bucket.ErrMissing) {
			continue
		}
		var r Review
		if err == nil {
			err = json.Unmarshal(value, &r)
		}
		if err != nil {
			return nil, err
		}
		g.uses[i].Review = &r
	}
	return append([]Use(nil), g.uses...), nil
}

// Unreviewed counts the uses that nobody has looked at, by facility.
func (s *Service) Unreviewed(ctx context.Context) (map[string]int, error) {
	uses, err := s.Uses(ctx)
	out := map[string]int{}
	for _, u := range uses {
		if u.Review == nil {
			out[u.Facility]++
		} else {
			out[u.Facility] += 0
		}
	}
	return out, err
}

// review shows a lead who broke the glass at their facilities; sent, it notes that they looked at one.
func (s *Service) review(w http.ResponseWriter, r *http.Request) error {
	if _, err := answer.Query(r); err != nil {
		return err
	}
	ctx, who := r.Context(), access.From(r.Context())
	if err := who.Ask(access.Reviews); err != nil {
		return err
	}
	uses, err := s.Uses(ctx)
	if err != nil {
		return err
	}
	var own []Use
	for i := len(uses) - 1; i >= 0; i-- { // the newest first
		if who.At(uses[i].Facility) {
			own = append(own, uses[i])
		}
	}
	if r.Method != http.MethodPost {
		return s.show(w, r, "review", "Who used a sealed code", own)
	}
	r.Body = http.MaxBytesReader(w, r.Body, 8<<10)
	n, err := strconv.Atoi(r.PostFormValue("number"))
	if err != nil || n < 1 || n > len(uses) || !who.At(uses[n-1].Facility) {
		return fault.New(fault.NotFound, "there is no such use of a code at your facilities", "choose one at "+reviewPath)
	}
	by := who.Person.Said
	if by == "" || who.Person.Value != "" {
		by = strings.TrimSpace(by + " " + who.Person.Value)
	}
	value, err := json.Marshal(Review{By: by, At: s.cfg.Now().UTC()})
	if err == nil {
		err = s.cfg.Glass.Create(ctx, "reviewed."+strconv.Itoa(n), value)
	}
	if err != nil && !errors.Is(err, bucket.ErrTaken) { // another lead was first
		return err
	}
	http.Redirect(w, r, s.prefix+reviewPath, http.StatusSeeOther)
	return nil
}
