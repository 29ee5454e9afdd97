package machine_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/invopop/jsonschema"

	"trivet/cmd/trivet/machine"
)

var update = flag.Bool("update", false, "rewrite the schema; read it before you commit")

const schemaFile = "deploy/machines/machine.schema.json"

// TestTheSchemaForEditorsIsThatOfTheFile generates the schema from the same types that the reader fills and compares it with the one that is
// shipped: a key that is added shows up there, or the test fails. The schema serves completion and comments; what is allowed beyond types
// is checked by `trivet check`.
func TestTheSchemaForEditorsIsThatOfTheFile(t *testing.T) {
	r := jsonschema.Reflector{FieldNameTag: "toml", ExpandedStruct: true, RequiredFromJSONSchemaTags: true, Anonymous: true}
	t.Chdir("../../..") // comments are found by the path from the module's root
	for _, dir := range []string{"cmd/trivet/machine", "sim/plant"} {
		if err := r.AddGoComments("trivet", "./"+dir); err != nil {
			t.Fatal(err)
		}
	}
	s := r.Reflect(&machine.File{})
	s.Title = "Machine file of Trivet"
	got, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if *update {
		if err := os.WriteFile(schemaFile, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(schemaFile)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s is not what the types say (%v); write it anew with -update", schemaFile, err)
	}
	for _, key := range []string{"heat_enable", "ceiling_c", "element_j_per_k", "unsensed_share", "emitters"} {
		if !strings.Contains(string(got), `"`+key+`"`) {
			t.Errorf("no key %s in the schema", key)
		}
	}
	if strings.Contains(string(got), "Digest") {
		t.Error("a field that no file has is in the schema")
	}
}
