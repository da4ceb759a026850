package main

import (
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
	"slices"
	"strconv"
	"strings"
)

// collector finds the places of one file that can be mutated.
type collector struct {
	c        *code
	f        *sourceFile
	function string
	sites    map[[2]int]*site // expressions, by their range
	all      []*site
	skipped  map[ast.Node]bool     // whose value is no behaviour, or stands with its parent
	sameAs   map[*ast.BasicLit]int // the step that says what the neighbour of a relation says: n < 1 is n <= 0
}

// collect lists the sites of a file with their mutants.
func collect(c *code, f *sourceFile) []*site {
	col := &collector{c: c, f: f, sites: map[[2]int]*site{}, skipped: map[ast.Node]bool{}, sameAs: map[*ast.BasicLit]int{}}
	for _, decl := range f.syntax.Decls {
		switch d := decl.(type) {
		case *ast.FuncDecl:
			if d.Body != nil {
				col.function = functionName(d)
				col.walk(d.Body)
			}
		case *ast.GenDecl:
			col.function = "package"
			switch {
			case d.Tok == token.VAR:
				col.walk(d)
			case d.Tok == token.CONST:
				col.constants(d)
			}
		}
	}
	return col.all
}

func functionName(d *ast.FuncDecl) string {
	if d.Recv == nil {
		return d.Name.Name
	}
	t := d.Recv.List[0].Type
	if star, ok := t.(*ast.StarExpr); ok {
		t = star.X
	}
	if ident, ok := t.(*ast.Ident); ok {
		return ident.Name + "." + d.Name.Name
	}
	return d.Name.Name
}

func (col *collector) add(n ast.Node, typ types.Type, operator, what, with string) {
	from, to := col.c.offset(n.Pos()), col.c.offset(n.End())
	key := [2]int{from, to}
	s := col.sites[key]
	if typ == nil || s == nil {
		s = &site{from: from, to: to, statement: typ == nil, typ: typ}
		col.all = append(col.all, s)
		if typ != nil {
			col.sites[key] = s
		}
	}
	for _, m := range s.mutants {
		if m.with == with {
			return
		}
	}
	lineNo, line := col.c.lineOf(col.f, n.Pos())
	s.mutants = append(s.mutants, &mutant{
		pkg: col.c, file: col.f, function: col.function, at: from, lineNo: lineNo, line: line,
		operator: operator, what: what, with: with,
	})
}

// expression adds a mutant of an expression, where it compiles.
func (col *collector) expression(e ast.Expr, operator, with string) {
	own := col.c.textOf(col.f, e)
	typ := col.c.info.TypeOf(e)
	if with == own || typ == nil || col.constant(e) && !isLiteral(e) || !col.c.fits(col.f, e.Pos(), with, typ) {
		return
	}
	col.add(e, typ, operator, "`"+oneLine(own)+"` -> `"+oneLine(with)+"`", with)
}

// constant reports whether the compiler knows the value of an expression.
func (col *collector) constant(e ast.Expr) bool { return col.c.info.Types[e].Value != nil }

func isLiteral(e ast.Expr) bool {
	switch e := e.(type) {
	case *ast.BasicLit:
		return true
	case *ast.Ident:
		return e.Name == "true" || e.Name == "false"
	}
	return false
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func (col *collector) text(n ast.Node) string { return col.c.textOf(col.f, n) }

// walk visits a node and all in it.
func (col *collector) walk(n ast.Node) {
	ast.Inspect(n, func(n ast.Node) bool {
		if n == nil || col.skipped[n] {
			return false
		}
		if e, ok := n.(ast.Expr); ok && col.constant(e) && !isLiteral(e) {
			col.constantParts(e)
			return false
		}
		switch n := n.(type) {
		case *ast.BlockStmt:
			col.statements(n.List)
		case *ast.CaseClause:
			col.statements(n.Body)
		case *ast.ForStmt:
			col.loop(n, n.Body)
			if n.Cond != nil {
				col.expression(n.Cond, "condition", "false")
			}
		case *ast.RangeStmt:
			col.loop(n, n.Body)
		case *ast.SwitchStmt:
			if n.Tag == nil {
				col.cases(n)
			}
		case *ast.IfStmt:
			col.condition(n.Cond)
		case *ast.ReturnStmt:
			for _, r := range n.Results {
				col.flip(r)
			}
		case *ast.KeyValueExpr:
			col.skipped[n.Key] = true
		case *ast.BinaryExpr:
			col.binary(n)
		case *ast.UnaryExpr:
			col.unary(n)
		case *ast.BasicLit:
			col.literal(n, nil)
		case *ast.Ident:
			col.ident(n)
		case *ast.CallExpr:
			col.call(n)
		case *ast.TypeSpec, *ast.FuncType, *ast.ArrayType, *ast.MapType:
			return false
		}
		return true
	})
}

// condition: a branch always taken, never taken, taken the other way round.
func (col *collector) condition(e ast.Expr) {
	col.expression(e, "condition", "true")
	col.expression(e, "condition", "false")
	if _, relation := relations[operatorOf(e)]; !relation {
		col.expression(e, "condition", "!("+col.text(e)+")")
	}
}

func (col *collector) cases(s *ast.SwitchStmt) {
	for _, clause := range s.Body.List {
		for _, e := range clause.(*ast.CaseClause).List {
			col.expression(e, "condition", "true")
			col.expression(e, "condition", "false")
		}
	}
}

// flip turns a returned truth value round.
func (col *collector) flip(e ast.Expr) {
	if b, ok := types.Unalias(col.c.info.TypeOf(e)).(*types.Basic); !ok || b.Info()&types.IsBoolean == 0 {
		return
	}
	if _, relation := relations[operatorOf(e)]; relation || isLiteral(e) {
		return // turned round by their own operators
	}
	if u, ok := e.(*ast.UnaryExpr); ok && u.Op == token.NOT {
		return
	}
	col.expression(e, "returned truth", "!("+col.text(e)+")")
}

func operatorOf(e ast.Expr) token.Token {
	if b, ok := e.(*ast.BinaryExpr); ok {
		return b.Op
	}
	return token.ILLEGAL
}

// relations names for each relation its neighbour and its negation.
var relations = map[token.Token][]token.Token{
	token.LSS: {token.LEQ, token.GEQ}, token.LEQ: {token.LSS, token.GTR},
	token.GTR: {token.GEQ, token.LEQ}, token.GEQ: {token.GTR, token.LSS},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL},
}

var arithmetic = map[token.Token][]token.Token{
	token.ADD: {token.SUB}, token.SUB: {token.ADD},
	token.MUL: {token.QUO}, token.QUO: {token.MUL}, token.REM: {token.MUL},
}

func (col *collector) binary(b *ast.BinaryExpr) {
	x, y := col.text(b.X), col.text(b.Y)
	// What stands between the operands is kept: it may hold a comment.
	swap := func(op token.Token) string {
		between := string(col.f.text[col.c.offset(b.X.End()):col.c.offset(b.Y.Pos())])
		return x + strings.Replace(between, b.Op.String(), op.String(), 1) + y
	}
	switch b.Op {
	case token.LAND, token.LOR:
		other := token.LAND
		if b.Op == token.LAND {
			other = token.LOR
		}
		col.expression(b, "logical", "("+x+") "+other.String()+" ("+y+")")
		col.expression(b, "dropped operand", x)
		col.expression(b, "dropped operand", y)
	default:
		for _, op := range relations[b.Op] {
			col.expression(b, "relation", swap(op))
		}
		if l, ok := b.Y.(*ast.BasicLit); ok && l.Kind == token.INT && len(relations[b.Op]) > 1 {
			col.sameAs[l] = map[token.Token]int{token.LSS: 1, token.GEQ: 1, token.GTR: -1, token.LEQ: -1}[b.Op]
		}
		for _, op := range arithmetic[b.Op] {
			col.expression(b, "arithmetic", "("+x+") "+op.String()+" ("+y+")")
		}
	}
}

func (col *collector) unary(u *ast.UnaryExpr) {
	switch u.Op {
	case token.SUB:
		col.expression(u, "arithmetic", col.text(u.X))
	case token.NOT:
		if call, ok := u.X.(*ast.CallExpr); ok && col.comparison(call) != nil {
			return // the comparison is turned round by itself
		}
		col.expression(u, "logical", "("+col.text(u.X)+")")
	}
}

func (col *collector) ident(i *ast.Ident) {
	if obj := col.c.info.Uses[i]; obj == types.Universe.Lookup("true") {
		col.expression(i, "truth", "false")
	} else if obj == types.Universe.Lookup("false") {
		col.expression(i, "truth", "true")
	}
}

// constantParts mutates the numbers that a constant expression is made of. The
// compiler gives a type to the whole, and its parts may have none of their own.
func (col *collector) constantParts(e ast.Expr) {
	whole := col.c.info.TypeOf(e)
	ast.Inspect(e, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			for _, a := range n.Args {
				col.walk(a)
			}
			return false
		case *ast.UnaryExpr:
			if l, ok := n.X.(*ast.BasicLit); ok && n.Op == token.SUB {
				// Most often a word for "none": what is further off says the same.
				col.add(n, whole, "number", "`"+col.text(n)+"` -> `"+l.Value+"`", l.Value)
				col.add(n, whole, "number", "`"+col.text(n)+"` -> `0`", "0")
				return false
			}
		case *ast.BasicLit:
			typ := col.c.info.TypeOf(n)
			if b, ok := typ.(*types.Basic); ok && b.Info()&types.IsUntyped != 0 {
				typ = whole
			}
			col.literal(n, typ)
		}
		return true
	})
}

// literal mutates a number by one either way and to 0. typ is its type where
// that is not its own.
func (col *collector) literal(l *ast.BasicLit, typ types.Type) {
	if l.Kind != token.INT && l.Kind != token.FLOAT {
		return
	}
	if typ == nil {
		typ = col.c.info.TypeOf(l)
	}
	v := constant.MakeFromLiteral(l.Value, l.Kind, 0)
	one := constant.MakeInt64(1)
	for _, changed := range []constant.Value{
		constant.BinaryOp(v, token.ADD, one), constant.BinaryOp(v, token.SUB, one), constant.MakeInt64(0),
	} {
		with := changed.ExactString()
		if f, exact := constant.Float64Val(changed); l.Kind == token.FLOAT || !exact {
			with = strconv.FormatFloat(f, 'g', -1, 64)
		}
		step := col.sameAs[l]
		stepped := constant.BinaryOp(v, token.ADD, constant.MakeInt64(int64(step)))
		if step != 0 && constant.Compare(changed, token.EQL, stepped) {
			continue
		}
		if constant.Compare(v, token.EQL, changed) || !col.c.fits(col.f, l.Pos(), with, typ) {
			continue
		}
		col.add(l, typ, "number", "`"+l.Value+"` -> `"+with+"`", with)
	}
}

// constants makes variables of named numbers, so that they can be mutated.
func (col *collector) constants(d *ast.GenDecl) {
	kinds := make([]types.Type, len(d.Specs))
	for n, spec := range d.Specs {
		s := spec.(*ast.ValueSpec)
		if len(s.Names) != 1 || len(s.Values) != 1 || s.Type != nil {
			return
		}
		if kinds[n] = col.usedAs(s.Names[0]); kinds[n] == nil {
			return
		}
	}
	at := col.c.offset(d.TokPos)
	col.all = append(col.all, &site{from: at, to: at + len("const"), raw: "var"})
	for n, spec := range d.Specs {
		s := spec.(*ast.ValueSpec)
		end := col.c.offset(s.Names[0].End())
		w := writer{c: col.c, f: col.f, extra: map[string]bool{}}
		col.all = append(col.all, &site{from: end, to: end, raw: " " + w.typeName(kinds[n])})
		ast.Inspect(s.Values[0], func(inner ast.Node) bool {
			if l, ok := inner.(*ast.BasicLit); ok {
				col.literal(l, kinds[n])
			}
			return true
		})
	}
}

// usedAs is the one type as which a numeric constant is used, nil where there is
// none or more than one.
func (col *collector) usedAs(name *ast.Ident) types.Type {
	obj := col.c.info.Defs[name]
	if b, ok := obj.Type().Underlying().(*types.Basic); !ok || b.Info()&types.IsNumeric == 0 {
		return nil
	}
	if b, ok := obj.Type().(*types.Basic); !ok || b.Info()&types.IsUntyped == 0 {
		return obj.Type()
	}
	var used types.Type
	for ident, o := range col.c.info.Uses {
		if o != obj {
			continue
		}
		t := types.Default(col.c.info.TypeOf(ident))
		if used != nil && !types.Identical(used, t) {
			return nil
		}
		used = t
	}
	return used
}

// comparisons of the core and of times: what stands next to each, and its
// negation. %s is the receiver or the package, with its dot, and the arguments.
var comparisons = map[string][]string{
	"Before": {"!%rAfter%a", "!%rBefore%a"}, "After": {"!%rBefore%a", "!%rAfter%a"}, "Equal": {"!%rEqual%a"},
	"AtLeast": {"%rAbove%a", "%rBelow%a"}, "AtMost": {"%rBelow%a", "%rAbove%a"},
	"Above": {"%rAtLeast%a", "%rAtMost%a"}, "Below": {"%rAtMost%a", "%rAtLeast%a"},
	"min": {"%rmax%a"}, "max": {"%rmin%a"},
}

// comparison lists the mutants of a call of one of the comparisons, nil for any
// other call.
func (col *collector) comparison(call *ast.CallExpr) []string {
	var name *ast.Ident
	switch fun := call.Fun.(type) {
	case *ast.Ident:
		name = fun
	case *ast.SelectorExpr:
		name = fun.Sel
	default:
		return nil
	}
	obj := col.c.info.Uses[name]
	if obj == nil {
		return nil
	}
	known := obj == types.Universe.Lookup(name.Name) || obj.Pkg() != nil &&
		(obj.Pkg().Path() == "time" || strings.HasPrefix(obj.Pkg().Path(), "plumbline/"))
	if !known {
		return nil
	}
	before := col.text(call)[:col.c.offset(name.Pos())-col.c.offset(call.Pos())]
	after := col.text(call)[col.c.offset(name.End())-col.c.offset(call.Pos()):]
	var out []string
	for _, form := range comparisons[name.Name] {
		out = append(out, strings.NewReplacer("%r", before, "%a", after).Replace(form))
	}
	return out
}

func (col *collector) call(call *ast.CallExpr) {
	for _, with := range col.comparison(call) {
		col.expression(call, "comparison", with)
	}
	switch fun := col.text(call.Fun); {
	case fun == "make":
		for _, size := range call.Args[min(2, len(call.Args)):] {
			col.skipped[size] = true // a capacity
		}
		if _, isMap := col.c.info.TypeOf(call).Underlying().(*types.Map); isMap && len(call.Args) > 1 {
			col.skipped[call.Args[1]] = true
		}
	case fun == "cmp.Or":
		for n := range call.Args {
			rest := slices.Delete(slices.Clone(call.Args), n, n+1)
			var texts []string
			for _, a := range rest {
				texts = append(texts, col.text(a))
			}
			col.expression(call, "order", "cmp.Or("+strings.Join(texts, ", ")+")")
		}
	case fun == "cmp.Compare" || strings.HasSuffix(fun, ".Compare"):
		col.expression(call, "order", "-"+col.text(call))
	}
}

func (col *collector) loop(n ast.Node, body *ast.BlockStmt) {
	for _, jump := range jumpsOf(body) {
		other := token.BREAK
		if jump.Tok == token.BREAK {
			other = token.CONTINUE
		}
		if f, ok := n.(*ast.ForStmt); ok && other == token.BREAK && f.Cond == nil {
			continue // the function would end without a return
		}
		if jump.Label == nil {
			col.add(jump, nil, "jump", "`"+jump.Tok.String()+"` -> `"+other.String()+"`", other.String())
		}
	}
}

// jumpsOf lists the breaks and continues of a loop's body: breaks of a switch in
// it and jumps of inner loops are not its own.
func jumpsOf(body *ast.BlockStmt) []*ast.BranchStmt {
	var out []*ast.BranchStmt
	var look func(n ast.Node, inSwitch bool)
	look = func(n ast.Node, inSwitch bool) {
		ast.Inspect(n, func(inner ast.Node) bool {
			switch x := inner.(type) {
			case *ast.ForStmt, *ast.RangeStmt, *ast.FuncLit:
				return false
			case *ast.SwitchStmt, *ast.TypeSwitchStmt:
				if inner != n {
					look(inner, true)
					return false
				}
			case *ast.BranchStmt:
				if x.Tok == token.CONTINUE && !inSwitch || x.Tok == token.BREAK && !inSwitch {
					out = append(out, x)
				}
			}
			return true
		})
	}
	look(body, false)
	return out
}

// statements: one left out, a sum turned into a difference, a step turned round.
func (col *collector) statements(list []ast.Stmt) {
	for _, s := range list {
		line := oneLine(col.text(s))
		remove := func() { col.add(s, nil, "statement", "`"+line+"` -> nothing", "") }
		switch s := s.(type) {
		case *ast.ExprStmt:
			remove()
		case *ast.AssignStmt:
			switch s.Tok {
			case token.DEFINE:
				continue
			case token.ADD_ASSIGN, token.SUB_ASSIGN:
				if b, ok := col.c.info.TypeOf(s.Lhs[0]).Underlying().(*types.Basic); ok && b.Info()&types.IsNumeric != 0 {
					op := map[token.Token]string{token.ADD_ASSIGN: "-=", token.SUB_ASSIGN: "+="}[s.Tok]
					with := col.text(s.Lhs[0]) + " " + op + " " + col.text(s.Rhs[0])
					col.both(s, [3]string{"statement", "`" + line + "` -> nothing", ""},
						[3]string{"arithmetic", "`" + line + "` -> `" + oneLine(with) + "`", with})
					continue
				}
			}
			remove()
		case *ast.IncDecStmt:
			with := col.text(s.X) + map[token.Token]string{token.INC: "--", token.DEC: "++"}[s.Tok]
			col.both(s, [3]string{"statement", "`" + line + "` -> nothing", ""},
				[3]string{"arithmetic", "`" + line + "` -> `" + with + "`", with})
		}
	}
}

// both adds two mutants of one statement in one site.
func (col *collector) both(s ast.Stmt, one, two [3]string) {
	col.add(s, nil, one[0], one[1], one[2])
	last := col.all[len(col.all)-1]
	lineNo, line := col.c.lineOf(col.f, s.Pos())
	last.mutants = append(last.mutants, &mutant{
		pkg: col.c, file: col.f, function: col.function, at: col.c.offset(s.Pos()), lineNo: lineNo, line: line,
		operator: two[0], what: two[1], with: two[2],
	})
}
