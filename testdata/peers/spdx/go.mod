module spdxpeer

go 1.26

require github.com/spdx/tools-golang v0.5.5

require github.com/anchore/go-struct-converter v0.0.0-20221118182256-c68fdcfa2092 // indirect
