//go:build !mutated

package safety_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
)

// mutant is one small mistake put into one source file: bytes from…to are replaced by text.
type mutant struct {
	file, fn string // fn: the function, or the row of a table, that the mistake is in
	op       string
	line     int
	from, to int
	was, now string
}

// key names a mutant without a line number, so that a list of them outlives edits elsewhere in the file. Two mistakes of one kind in one
// expression of one function may share a key.
func (m mutant) key() string {
	return fmt.Sprintf("%s %s %s: %s => %s", m.file, m.fn, m.op, short(m.was), short(m.now))
}

func short(s string) string {
	if s = strings.Join(strings.Fields(s), " "); s == "" {
		return "(nothing)"
	}
	if r := []rune(s); len(r) > 90 {
		return string(r[:90]) + "…"
	}
	return s
}

// mutator walks one file.
type mutator struct {
	file string
	src  []byte
	fset *token.FileSet
	fn   string
	out  []mutant
}

func (w *mutator) at(p token.Pos) int              { return w.fset.Position(p).Offset }
func (w *mutator) text(n ast.Node) string          { return string(w.src[w.at(n.Pos()):w.at(n.End())]) }
func (w *mutator) swap(n ast.Node, op, now string) { w.put(n.Pos(), n.End(), op, now) }

func (w *mutator) put(from, to token.Pos, op, now string) {
	a, b := w.at(from), w.at(to)
	was := string(w.src[a:b])
	if n := strings.Count(was, "\n") - strings.Count(now, "\n"); n > 0 {
		now += strings.Repeat("\n", n) // lines keep their numbers
	}
	w.out = append(w.out, mutant{w.file, w.fn, op, w.fset.Position(from).Line, a, b, was, now})
}

// mutants makes every mistake of every operator in the package's own files, in the order of the source.
func mutants(dir string) ([]mutant, error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		return nil, err
	}
	var all []mutant
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		w := &mutator{file: filepath.Base(f), fset: token.NewFileSet()}
		if w.src, err = os.ReadFile(f); err != nil {
			return nil, err
		}
		tree, err := parser.ParseFile(w.fset, f, w.src, 0)
		if err != nil {
			return nil, err
		}
		for _, d := range tree.Decls {
			w.declaration(d)
		}
		sort.SliceStable(w.out, func(i, j int) bool { return w.out[i].from < w.out[j].from })
		all = append(all, w.out...)
	}
	return all, nil
}

func (w *mutator) declaration(d ast.Decl) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		w.fn = d.Name.Name
		w.walk(d.Body, d.Body.List[len(d.Body.List)-1])
	case *ast.GenDecl:
		for _, s := range d.Specs {
			if v, ok := s.(*ast.ValueSpec); ok {
				w.values(v)
			}
		}
	}
}

// values looks into constants and tables. A table's rows have the names of their codes, and change places.
func (w *mutator) values(v *ast.ValueSpec) {
	w.fn = v.Names[0].Name
	for _, x := range v.Values {
		table, ok := x.(*ast.CompositeLit)
		if !ok {
			w.walk(x, nil)
			continue
		}
		for i, row := range table.Elts {
			w.fn = w.code(row)
			w.walk(row, nil)
			if i > 0 {
				before := table.Elts[i-1]
				w.put(before.Pos(), row.End(), "order", w.text(row)+", "+w.text(before))
			}
		}
	}
}

// code is what the row calls itself.
func (w *mutator) code(row ast.Node) string {
	name := w.fn
	ast.Inspect(row, func(n ast.Node) bool {
		if kv, ok := n.(*ast.KeyValueExpr); ok && w.text(kv.Key) == "Code" {
			name = strings.Trim(w.text(kv.Value), `"`)
		}
		return true
	})
	return name
}

// walk visits everything below n. The last statement of a function is not dropped, as it would not compile.
func (w *mutator) walk(n ast.Node, last ast.Stmt) {
	ast.Inspect(n, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BinaryExpr:
			w.binary(n)
		case *ast.UnaryExpr:
			if n.Op == token.NOT || n.Op == token.XOR || n.Op == token.SUB {
				w.swap(n, "unary", w.text(n.X))
			}
		case *ast.BasicLit:
			w.literal(n)
		case *ast.Ident:
			w.name(n)
		case *ast.SelectorExpr:
			w.selector(n)
		case *ast.IndexExpr:
			w.index(n.Index)
		case *ast.CallExpr:
			w.call(n)
		case *ast.IfStmt:
			w.condition(n.Cond)
		case *ast.CaseClause:
			for _, c := range n.List {
				w.condition(c)
			}
		case *ast.KeyValueExpr:
			w.field(n)
		case ast.Stmt:
			if n != last {
				w.statement(n)
			}
		}
		return true
	})
}

// others lists what stands in for an operator: across the boundary, the opposite, and the usual slips.
var others = map[token.Token][]string{
	token.LSS: {"<=", ">="}, token.LEQ: {"<", ">"}, token.GTR: {">=", "<="}, token.GEQ: {">", "<"},
	token.EQL: {"!="}, token.NEQ: {"=="},
	token.ADD: {"-"}, token.SUB: {"+"}, token.MUL: {"/"}, token.QUO: {"*"}, token.REM: {"*"},
	token.SHL: {">>"}, token.AND: {"|"}, token.OR: {"&", "^"}, token.AND_NOT: {"&"}, token.XOR: {"|"},
	token.ADD_ASSIGN: {"-=", "="}, token.SUB_ASSIGN: {"+="}, token.MUL_ASSIGN: {"/=", "="}, token.AND_NOT_ASSIGN: {"&=", "|="},
	token.OR_ASSIGN: {"=", "&="}, token.AND_ASSIGN: {"=", "|="}, token.INC: {"--"}, token.DEC: {"++"},
}

func (w *mutator) operator(pos token.Pos, op token.Token) {
	for _, now := range others[op] {
		w.put(pos, pos+token.Pos(len(op.String())), "operator", now)
	}
}

func (w *mutator) binary(n *ast.BinaryExpr) {
	w.operator(n.OpPos, n.Op)
	if n.Op == token.LAND || n.Op == token.LOR {
		w.swap(n, "drop term", w.text(n.X))
		w.swap(n, "drop term", w.text(n.Y))
	}
}

// condition negates what is not composed: comparisons are negated by their operator, and what is joined by && and || loses terms.
func (w *mutator) condition(x ast.Expr) {
	switch x.(type) {
	case *ast.CallExpr, *ast.SelectorExpr, *ast.IndexExpr, *ast.Ident:
		w.swap(x, "negate", "!("+w.text(x)+")")
	}
}

func (w *mutator) literal(n *ast.BasicLit) {
	switch {
	case n.Kind == token.INT && n.Value == "0" || n.Kind == token.FLOAT && n.Value == "0.0":
		w.swap(n, "number", "1")
		w.swap(n, "number", "-1")
	case n.Kind == token.INT || n.Kind == token.FLOAT:
		w.swap(n, "number", "("+n.Value+"+1)")
		w.swap(n, "number", "("+n.Value+"-1)")
		w.swap(n, "number", "0")
	}
}

// kin are names that are mistaken for the next one.
var kin = [][]string{
	{"true", "false"}, {"min", "max"},
	{"RoleJoint", "RolePackageTop", "RoleBoard", "RoleNeighbour"},
	{"Joint", "PackageTop", "Board", "Neighbour"},
	{"EmergencyStop", "Door", "Extraction", "Limiter"},
	{"FoundBypass", "FoundNoContact", "FoundStuck", "FoundOneShot", "FoundDead", "FoundCrossed"},
	{"EachSensor", "EachHeater", "EachBlower", "EachInterlock"},
	{"NSensors", "NHeaters", "NBlowers", "NInterlock"},
	{"Driven", "Sensed"}, {"BlowerOn", "AirFlows"}, {"Enabled", "Mirror"}, {"Armed", "Testing"},
	{"LatchedUnacknowledged", "LatchedAcknowledged", "Unacknowledged", "Acknowledged", "ReturnedUnacked", "Normal"},
}

// weaker is what an action would be if it did less.
var weaker = map[string]string{"CutHeat": "HoldHeat", "HoldHeat": "Tell", "ZoneOff": "HoldHeat"}

func (w *mutator) name(n *ast.Ident) {
	for _, names := range kin {
		if i := slices.Index(names, n.Name); i >= 0 {
			w.swap(n, "name", names[(i+1)%len(names)])
		}
	}
	if to := weaker[n.Name]; to != "" {
		w.swap(n, "name", to)
	}
}

// selector changes the unit of a duration that has no number beside it. The names of fields are idents and change above.
func (w *mutator) selector(n *ast.SelectorExpr) {
	switch w.text(n) {
	case "time.Second", "time.Minute", "time.Millisecond":
		w.swap(n, "duration", "(2*"+w.text(n)+")")
		w.swap(n, "duration", "("+w.text(n)+"/2)")
	}
}

// index takes the first one instead of the one that is meant.
func (w *mutator) index(x ast.Expr) {
	if _, literal := x.(*ast.BasicLit); !literal {
		w.swap(x, "index", "0*("+w.text(x)+")")
	}
}

func (w *mutator) call(n *ast.CallExpr) {
	switch fun := n.Fun.(type) {
	case *ast.SelectorExpr:
		switch {
		case (fun.Sel.Name == "Has" || fun.Sel.Name == "With") && len(n.Args) == 1:
			w.index(n.Args[0])
		case w.text(fun) == "math.Abs":
			w.swap(n, "absolute", "("+w.text(n.Args[0])+")")
		}
	}
}

// field takes an entry out of a list of strings, and an optional function out of a row.
func (w *mutator) field(n *ast.KeyValueExpr) {
	if list, ok := n.Value.(*ast.CompositeLit); ok && w.text(n.Key) == "Explains" {
		for _, e := range list.Elts {
			w.swap(e, "explains", `""`)
		}
	}
	if k := w.text(n.Key); k == "Asked" || k == "Delay" {
		w.swap(n.Value, "optional", "nil")
	}
}

func (w *mutator) statement(n ast.Stmt) {
	switch n := n.(type) {
	case *ast.ExprStmt, *ast.BranchStmt:
		w.swap(n, "drop statement", "")
	case *ast.ReturnStmt:
		w.swap(n, "drop statement", "")
	case *ast.IncDecStmt:
		w.operator(n.TokPos, n.Tok)
		w.swap(n, "drop statement", "")
	case *ast.AssignStmt:
		w.assignment(n)
	}
}

// assignment drops the whole of it, and of several at once each alone.
func (w *mutator) assignment(n *ast.AssignStmt) {
	w.operator(n.TokPos, n.Tok)
	if n.Tok == token.DEFINE {
		return
	}
	w.swap(n, "drop statement", "")
	if len(n.Lhs) < 2 || len(n.Lhs) != len(n.Rhs) {
		return
	}
	for i := range n.Lhs {
		var left, right []string
		for k := range n.Lhs {
			if k != i {
				left, right = append(left, w.text(n.Lhs[k])), append(right, w.text(n.Rhs[k]))
			}
		}
		w.swap(n, "drop one of several", strings.Join(left, ", ")+" = "+strings.Join(right, ", "))
	}
}
