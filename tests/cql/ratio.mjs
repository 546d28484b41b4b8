// How long the same histories take from their FHIR bytes to an outcome: the service's core against the CQL engine, one after the other, one thread
// each; median of five passes after warming up. Translating the CQL and starting either program are not counted.
//   node tests/cql/ratio.mjs [HISTORIES]
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { Engine, translate } from './engine.mjs';
import { cases } from './histories.mjs';
import { write } from './service.mjs';

const count = Number(process.argv[2] ?? 1000);
const folder = mkdtempSync(join(tmpdir(), 'titration-ratio-'));
const median = (passes) => [...passes].sort((a, b) => a - b)[Math.floor(passes.length / 2)];
try {
  const looks = write(cases(count), folder);
  const project = fileURLToPath(new URL('../Titration.Benchmarks', import.meta.url));
  const service = JSON.parse(execFileSync('dotnet', ['run', '-c', 'Release', '--project', project, '--', 'histories', folder], { encoding: 'utf8' }).trim().split('\n').at(-1));

  const engine = new Engine(translate());
  const read = looks.map((look) => ({ look, files: readdirSync(join(folder, look.folder)).map((file) => readFileSync(join(folder, look.folder, file))) }));
  const cql = [];
  for (let pass = -1; pass < 5; pass++) {
    const start = performance.now();
    for (const { look, files } of read) { await engine.evaluate(files.map((bytes) => JSON.parse(bytes)), look); }
    if (pass >= 0) { cql.push(performance.now() - start); }
  }
  console.log(JSON.stringify({
    histories: count, serviceMs: median(service), cqlMs: median(cql), ratio: median(cql) / median(service), servicePasses: service, cqlPasses: cql,
  }, (_, value) => (typeof value === 'number' ? Number(value.toPrecision(4)) : value), 2));
} finally {
  rmSync(folder, { recursive: true });
}
process.exit(0);
