// Package web answers over HTTP what is no FHIR: it reads requests and writes answers, and the rooms that it asks know no HTTP.
package web
