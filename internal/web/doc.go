// Package web answers over HTTP what is no FHIR: Today, the list of a unit for the charge nurse and
// the one on call, the chairside card, the life of a track, the unit's figures, and the JSON endpoints. Pages are made on the server and
// need no script; the card also comes as JSON and as plain text.
//
// It reads requests and writes answers, and decides nothing: what it asks knows no HTTP. The card
// is made by internal/card, and the lists show judgements that the view has stored.
package web
