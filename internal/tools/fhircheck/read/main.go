// Command read holds FHIR R4 resources, a JSON document a line on standard input, against
// the strict reader of github.com/google/fhir, an implementation that shares nothing with
// this project. It prints how many it took, and ends with code 1 at the first that it
// refuses, naming the line.
package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
)

func main() {
	if err := run(os.Stdin, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(in io.Reader, out io.Writer) error {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		return err
	}
	taken := map[string]int{}
	lines := bufio.NewReaderSize(in, 1<<20)
	for n := 1; ; n++ {
		line, err := lines.ReadBytes('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			break
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("line %d: %w", n, err)
		}
		var head struct {
			ResourceType string `json:"resourceType"`
			ID           string `json:"id"`
		}
		if err := json.Unmarshal(line, &head); err != nil {
			return fmt.Errorf("line %d is no JSON document: %w", n, err)
		}
		if _, err := u.UnmarshalR4(line); err != nil {
			return fmt.Errorf("line %d, %s/%s, is refused: %w", n, head.ResourceType, head.ID, err)
		}
		taken[head.ResourceType]++
	}
	if len(taken) == 0 {
		return errors.New("there was nothing to read")
	}
	total := 0
	for _, n := range taken {
		total += n
	}
	_, err = fmt.Fprintf(out, "%d resources of %d types\n", total, len(taken))
	return err
}
