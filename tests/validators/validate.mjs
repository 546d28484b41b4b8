// Validates FHIR R4 resources with libraries that share no code with the one the service uses.
import fs from 'node:fs';
import path from 'node:path';
import { parseArgs } from 'node:util';
import { checks, refusals } from './checks.mjs';

const usage = `usage: node validate.mjs [--json] DIR|FILE...
       node validate.mjs --self-test

Validates every *.json file (folders: with their subfolders) as an R4 resource by: ${[...checks.keys()].join(', ')}.
Base R4 only: profiles and terminology are not looked at.

--json       one JSON object per file on stdout: { file, resourceType, refusals: [{ check, reason }] }
--self-test  shows that every check can refuse: each resource in broken/ must be refused by the check it names and for the
             reason it names, each in sound/ by none

Exit codes: 0 nothing refused, 1 something refused, 2 usage.`;

function misuse(message) {
  console.error(`${message}\n\n${usage}`);
  process.exit(2);
}

function* jsonFiles(target) {
  const stat = fs.statSync(target, { throwIfNoEntry: false });
  if (!stat) {
    misuse(`there is no ${target}`);
  }
  if (!stat.isDirectory()) {
    yield target;
    return;
  }
  for (const entry of fs.readdirSync(target, { withFileTypes: true }).toSorted((a, b) => (a.name < b.name ? -1 : 1))) {
    const child = path.join(target, entry.name);
    if (entry.isDirectory() && entry.name !== 'node_modules') {
      yield* jsonFiles(child);
    } else if (entry.name.endsWith('.json')) {
      yield child;
    }
  }
}

function read(file) {
  try {
    return { resource: JSON.parse(fs.readFileSync(file, 'utf8')) };
  } catch (error) {
    return { problem: error.message };
  }
}

function validate(targets, json) {
  const files = targets.flatMap((target) => [...jsonFiles(target)]);
  if (files.length === 0) {
    misuse(`no *.json file in ${targets.join(', ')}`);
  }
  let refused = 0;
  for (const file of files) {
    const { resource, problem } = read(file);
    const found = problem ? [{ check: 'json', reason: problem }] : refusals(resource);
    refused += found.length > 0 ? 1 : 0;
    if (json) {
      console.log(JSON.stringify({ file, resourceType: resource?.resourceType, refusals: found }));
    } else {
      for (const { check, reason } of found) {
        console.log(`${file}: ${check}: ${reason}`);
      }
    }
  }
  if (!json) {
    console.log(`${files.length - refused} of ${files.length} resources are fine by ${checks.size} checks`);
  }
  return refused === 0;
}

function selfTest() {
  const here = (folder) => [...jsonFiles(path.join(import.meta.dirname, folder))];
  const proven = new Set();
  let passed = 0;
  let failed = 0;
  const report = (name, problem) => {
    console.log(`${problem ? 'failed' : 'passed'}  ${name}${problem ? `: ${problem}` : ''}`);
    if (problem) {
      failed++;
    } else {
      passed++;
    }
  };
  for (const file of here('broken')) {
    const { expect, resource } = read(file).resource;
    const found = refusals(resource);
    const missing = expect.filter(({ check, reason }) => !found.some((x) => x.check === check && x.reason.includes(reason)));
    const wrong = missing.map(({ check, reason }) => `${check} did not say "${reason}"`).join('; ');
    report(`broken/${path.basename(file, '.json')}`, wrong && `${wrong}; it was refused by ${JSON.stringify(found)}`);
    if (missing.length === 0) {
      expect.forEach(({ check }) => proven.add(check));
    }
  }
  for (const file of here('sound')) {
    const found = refusals(read(file).resource);
    report(`sound/${path.basename(file, '.json')}`, found.map(({ check, reason }) => `${check}: ${reason}`).join('; '));
  }
  for (const check of checks.keys()) {
    report(`${check} is shown to refuse something`, proven.has(check) ? '' : 'no resource in broken/ names it');
  }
  console.log(`${passed} passed, ${failed} failed`);
  return failed === 0;
}

let options;
let targets;
try {
  ({ values: options, positionals: targets } = parseArgs({
    allowPositionals: true,
    options: { json: { type: 'boolean', default: false }, 'self-test': { type: 'boolean', default: false }, help: { type: 'boolean', default: false } },
  }));
} catch (error) {
  misuse(error.message);
}
if (options.help) {
  console.log(usage);
} else if (options['self-test']) {
  if (targets.length > 0) {
    misuse('--self-test takes no files');
  }
  process.exitCode = selfTest() ? 0 : 1;
} else if (targets.length === 0) {
  misuse('name a folder or a file');
} else {
  process.exitCode = validate(targets, options.json) ? 0 : 1;
}
