//go:build !wasm

package report

import _ "modernc.org/sqlite" // the driver, which has no build for WebAssembly
