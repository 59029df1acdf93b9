// Runs a program in WebAssembly on one folder: node wasi.mjs MODULE ACTION DIR.
import { readFileSync } from 'node:fs'
import { WASI } from 'node:wasi'

const [, , module, action, dir] = process.argv
const wasi = new WASI({ version: 'preview1', args: ['wasm', action, '/job'], preopens: { '/job': dir }, returnOnExit: true })
const { instance } = await WebAssembly.instantiate(readFileSync(module), { wasi_snapshot_preview1: wasi.wasiImport })
process.exitCode = wasi.start(instance)
