package cdshooks

// What tests of other packages' eyes look into.
var (
	Escape    = escape
	Printable = printable
	Summary   = summary
	IsUUID    = uuidForm.MatchString
)

// UUID5 is the text of a UUID of a name in the namespace of domain names (RFC 9562).
func UUID5(name string) string {
	dns := urlSpace
	dns[3] = 0x10
	return uuidText(uuid5(dns, []byte(name)))
}
