package answer

import (
	"mime"
	"strconv"
	"strings"
)

// Prefer is the offer that a client likes best by its Accept header, and the first of those that it likes alike. A
// client that says nothing likes all. Empty is that it takes none. An offer is a media type, and may have parameters.
func Prefer(accept []string, offers ...string) string {
	if strings.TrimSpace(strings.Join(accept, "")) == "" {
		return offers[0]
	}
	best, quality := "", 0.0
	for _, o := range offers {
		if q := Quality(accept, o); q > quality {
			best, quality = o, q
		}
	}
	return best
}

// Quality is how well a client likes an offer, from 0 (not at all) to 1, by what it sends as Accept or Accept-Encoding.
// The range that names the offer most closely decides (RFC 9110, 12.5.1). A range whose parameter the offer has
// otherwise does not name it; a parameter that the offer does not have says nothing. What cannot be read is passed over.
func Quality(header []string, offer string) float64 {
	want, own, _ := mime.ParseMediaType(offer)
	all, wide := "*", ""
	if family, _, media := strings.Cut(want, "/"); media {
		all, wide = "*/*", family+"/*"
	}
	closest, quality := 0, 0.0
	for _, part := range strings.Split(strings.Join(header, ","), ",") {
		media, args, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		const perRange = 100 // more than any range has parameters that count
		near := perRange * map[string]int{all: 1, wide: 2, want: 3}[media]
		for k, v := range args {
			if o, ok := own[k]; ok && o != v {
				near = 0
				break
			} else if ok {
				near++
			}
		}
		if near <= closest {
			continue
		}
		q := 1.0
		if s, ok := args["q"]; ok {
			if q, err = strconv.ParseFloat(s, 64); err != nil || !(q >= 0 && q <= 1) {
				continue
			}
		}
		closest, quality = near, q
	}
	return quality
}
