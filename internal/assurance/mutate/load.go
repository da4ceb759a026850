package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// code is one package with its types.
type code struct {
	path  string // import path
	dir   string
	fset  *token.FileSet
	types *types.Package
	info  *types.Info
	files []*sourceFile
}

type sourceFile struct {
	name   string // base name
	path   string
	text   []byte
	syntax *ast.File
}

// listed is what go list tells of a package.
type listed struct {
	ImportPath, Dir, Export string
	GoFiles                 []string
}

// load reads and checks the packages of the module, without their tests.
func load(paths []string) ([]*code, error) {
	exports := map[string]string{}
	found := map[string]listed{}
	cmd := exec.Command("go", append([]string{"list", "-export", "-deps", "-json=ImportPath,Dir,Export,GoFiles"}, paths...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w; run this from the root of the module", err)
	}
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := d.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			return nil, fmt.Errorf("what go list says: %w", err)
		}
		exports[p.ImportPath], found[p.ImportPath] = p.Export, p
	}
	var all []*code
	for _, path := range paths {
		p, ok := found[path]
		if !ok {
			return nil, fmt.Errorf("go list does not name %s", path)
		}
		c, err := check(p, exports)
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

func check(p listed, exports map[string]string) (*code, error) {
	c := &code{path: p.ImportPath, dir: p.Dir, fset: token.NewFileSet()}
	for _, name := range p.GoFiles {
		path := filepath.Join(p.Dir, name)
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		if err := c.parse(name, path, text); err != nil {
			return nil, err
		}
	}
	lookup := func(path string) (io.ReadCloser, error) {
		file, ok := exports[path]
		if !ok || file == "" {
			return nil, fmt.Errorf("no export data of %s", path)
		}
		return os.Open(file)
	}
	return c, c.check(importer.ForCompiler(c.fset, "gc", lookup))
}

func (c *code) parse(name, path string, text []byte) error {
	syntax, err := parser.ParseFile(c.fset, path, text, parser.SkipObjectResolution)
	c.files = append(c.files, &sourceFile{name: name, path: path, text: text, syntax: syntax})
	return err
}

func (c *code) check(imports types.Importer) error {
	var syntax []*ast.File
	for _, f := range c.files {
		syntax = append(syntax, f.syntax)
	}
	c.info = &types.Info{
		Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}, Defs: map[*ast.Ident]types.Object{},
	}
	var err error
	c.types, err = (&types.Config{Importer: imports}).Check(c.path, c.fset, syntax, c.info)
	return err
}

// textOf is a node as it is written.
func (c *code) textOf(f *sourceFile, n ast.Node) string {
	return string(f.text[c.offset(n.Pos()):c.offset(n.End())])
}

func (c *code) offset(p token.Pos) int { return c.fset.Position(p).Offset }

// lineOf is the whole line on which a position stands, trimmed.
func (c *code) lineOf(f *sourceFile, p token.Pos) (number int, text string) {
	at := c.fset.Position(p)
	lines := strings.Split(string(f.text), "\n")
	return at.Line, strings.TrimSpace(lines[at.Line-1])
}
