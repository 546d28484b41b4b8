// Validates an AsyncAPI document with the parser of the AsyncAPI initiative.
import { existsSync } from 'node:fs';
import path from 'node:path';
import { fromFile, Parser } from '@asyncapi/parser';

const usage = `usage: node asyncapi.mjs FILE

Prints the document as JSON, with its references resolved, where it is sound; each problem with its path where it is not. Warnings
count as problems.

Exit codes: 0 sound, 1 not sound, 2 usage.`;

const [file, ...more] = process.argv.slice(2);
if (!file || more.length > 0 || !existsSync(file)) {
  console.error(file ? `there is no ${file}, or there are too many arguments\n\n${usage}` : usage);
  process.exit(2);
}

// Says only that there is a newer version of the specification.
const ignored = new Set(['asyncapi-latest-version']);
const parser = new Parser();
const { document, diagnostics } = await fromFile(parser, path.resolve(file)).parse();
const problems = diagnostics.filter(({ code, severity }) => severity <= 1 && !ignored.has(String(code)));
for (const { code, message, path: where, range } of problems) {
  console.error(`${file}:${range.start.line + 1}: ${where.join('.')}: ${message} (${code})`);
}
if (problems.length > 0 || !document) {
  process.exitCode = 1;
} else {
  console.log(JSON.stringify(document.json(), (key, value) => (key.startsWith('x-parser-') ? undefined : value)));
}
