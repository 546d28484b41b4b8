// Verifies a `titration ledger export` with nothing but Node.js (20 or later): no code of the service, no packages.
// docs/auditors-guide.md describes each step, so that it can be done with other tools as well.
import { createHash, createPublicKey, verify } from 'node:crypto';
import { createReadStream, existsSync, readFileSync, readdirSync } from 'node:fs';
import path from 'node:path';
import { createInterface } from 'node:readline';

const usage = `usage: node verify-export.mjs FOLDER [--key PUBLIC.pem] [--checkpoints FOLDER]

--key          the clinic's public key as you were given it; default: the one in the export, which proves only that all is by one hand
--checkpoints  exported checkpoints that were kept elsewhere: they show what was removed or computed anew before the export

Exit codes: 0 nothing is wrong, 1 something is, 2 usage.`;

const [folder, ...options] = process.argv.slice(2);
const option = (name) => (options.includes(name) ? options[options.indexOf(name) + 1] : undefined);
if (!folder || !existsSync(path.join(folder, 'SHA256SUMS'))) {
  console.error(usage);
  process.exit(2);
}

let wrong = 0;
const report = (text) => {
  wrong++;
  console.log(`WRONG  ${text}`);
};
const zero = Buffer.alloc(32);
const hex = (text) => Buffer.from(text, 'hex');
const sha256 = (...parts) => createHash('sha256').update(Buffer.concat(parts)).digest();

// The parts of what is hashed.
const byte = (value) => Buffer.from([value]);
const number = (value) => {
  const bytes = Buffer.alloc(8);
  bytes.writeBigInt64BE(BigInt(value));
  return bytes;
};
const instant = (text) => number(Date.parse(text));
const id = (uuid) => hex(uuid.replaceAll('-', ''));
const bytes = (value) => {
  const length = Buffer.alloc(4);
  length.writeInt32BE(value.length);
  return Buffer.concat([length, value]);
};
const text = (value) => bytes(Buffer.from(value, 'utf8'));
const optional = (value, write) => (value === null || value === undefined ? byte(0) : Buffer.concat([byte(1), write(value)]));

const keyFile = option('--key') ?? path.join(folder, 'public-key.pem');
const key = existsSync(keyFile) ? createPublicKey(readFileSync(keyFile)) : undefined;
const isSigned = (data, signature) => key !== undefined && verify('sha256', data, key, signature);
if (key) {
  const fingerprint = sha256(key.export({ type: 'spki', format: 'der' })).toString('hex');
  console.log(`key ${fingerprint}: compare it with the one that the clinic wrote down`);
} else {
  console.log('no key: signatures are not checked');
}

async function* lines(file) {
  for await (const line of createInterface({ input: createReadStream(file), crlfDelay: Infinity })) {
    yield JSON.parse(line);
  }
}

// 1. The files are those of the list, and the list is signed.
const list = readFileSync(path.join(folder, 'SHA256SUMS'));
const signature = path.join(folder, 'SHA256SUMS.sig');
if (key && (!existsSync(signature) || !isSigned(list, readFileSync(signature)))) {
  report('SHA256SUMS: the signature is missing or by another key');
}
const listed = new Set(['SHA256SUMS', 'SHA256SUMS.sig']);
for (const line of list.toString('utf8').trimEnd().split('\n')) {
  const [hash, name] = line.split('  ');
  listed.add(name);
  const file = path.join(folder, name);
  if (!existsSync(file) || sha256(readFileSync(file)).toString('hex') !== hash) {
    report(`${name}: missing, or not what SHA256SUMS says`);
  }
}
for (const entry of readdirSync(folder, { recursive: true, withFileTypes: true })) {
  const name = path.relative(folder, path.join(entry.parentPath, entry.name)).replaceAll('\\', '/');
  if (entry.isFile() && !listed.has(name)) {
    report(`${name}: is not in SHA256SUMS`);
  }
}

// 2. Facts: each hash is over the fact and the hash before.
const factHeads = new Map(); // chain -> hashes, the first of which is 32 zero bytes
for await (const fact of lines(path.join(folder, 'facts.ndjson'))) {
  const heads = factHeads.get(fact.chain) ?? factHeads.set(fact.chain, [zero]).get(fact.chain);
  const hash = sha256(
    hex(fact.salt), byte(1), heads.at(-1), id(fact.chain), number(fact.sequence), text(fact.patient), text(fact.resourceType), text(fact.resourceId),
    text(fact.versionId), text(fact.contentHash), optional(fact.lastUpdated, instant), instant(fact.receivedAt), optional(fact.traceParent, text), text(fact.text));
  if (fact.sequence !== heads.length || !hash.equals(hex(fact.hash))) {
    report(`chain ${fact.chain}: fact ${fact.sequence}`);
  }
  heads.push(hex(fact.hash));
}

// 3. Decisions: each hash is over the digest of its content and the hash before; each knew the facts that are there.
const decisionHeads = new Map();
const erased = new Map(); // chain -> the entry that says so
const withoutContent = [];
for await (const decision of lines(path.join(folder, 'decisions.ndjson'))) {
  const { chain, sequence, content } = decision;
  const heads = decisionHeads.get(chain) ?? decisionHeads.set(chain, [zero]).get(chain);
  const hash = sha256(
    byte(2), heads.at(-1), id(chain), number(sequence), instant(decision.decidedAt), text(decision.policyHash), hex(decision.contentDigest));
  if (sequence !== heads.length || !hash.equals(hex(decision.hash)) || !heads.at(-1).equals(hex(decision.previousHash))) {
    report(`chain ${chain}: decision ${sequence}`);
  }
  heads.push(hex(decision.hash));
  if (content === null) {
    withoutContent.push(decision);
    continue;
  }
  const contentBytes = content.text === null ? Buffer.from(content.base64, 'base64') : Buffer.from(content.text, 'utf8');
  const digest = sha256(
    hex(content.salt), byte(2), id(content.decisionId), text(content.patient), optional(content.course, id), optional(content.outcome, text),
    text(content.rule), text(content.inputDigest), number(content.factSequence), hex(content.factHead), bytes(contentBytes));
  if (!digest.equals(hex(decision.contentDigest))) {
    report(`chain ${chain}: content of decision ${sequence}`);
  }
  if (content.rule === 'patient-erased') {
    const signed = Buffer.concat([hex(decision.previousHash), id(chain), number(sequence), instant(decision.decidedAt)]);
    if (key && !isSigned(signed, contentBytes)) {
      report(`chain ${chain}: the erasure at ${sequence} is not signed`);
    }
    erased.set(chain, { sequence, facts: content.factSequence, factHead: hex(content.factHead) });
  } else if (factHeads.has(chain) || content.factSequence > 0) {
    const known = (factHeads.get(chain) ?? [zero])[content.factSequence];
    if (!known?.equals(hex(content.factHead))) {
      report(`chain ${chain}: the facts that decision ${sequence} knew`);
    }
  }
}
for (const { chain, sequence } of withoutContent) {
  if (!(erased.get(chain)?.sequence > sequence)) {
    report(`chain ${chain}: the content of decision ${sequence} is missing`);
  }
}

// 4. The chains end where it is recorded.
const chains = new Set();
for await (const chain of lines(path.join(folder, 'chains.ndjson'))) {
  chains.add(chain.chain);
  const decisions = decisionHeads.get(chain.chain) ?? [zero];
  const facts = factHeads.get(chain.chain) ?? [zero];
  if (decisions.length - 1 !== chain.length || !decisions.at(-1).equals(hex(chain.head))) {
    report(`chain ${chain.chain}: the end of the decisions`);
  }
  const gone = erased.get(chain.chain);
  const [count, head] = gone && facts.length === 1 ? [gone.facts, gone.factHead] : [facts.length - 1, facts.at(-1)];
  if (count !== chain.facts || !head.equals(hex(chain.factHead))) {
    report(`chain ${chain.chain}: the end of the facts`);
  }
}
for (const chain of [...decisionHeads.keys(), ...factHeads.keys()]) {
  if (!chains.has(chain)) {
    report(`chain ${chain}: belongs to nothing`);
  }
}

// 5. Checkpoints: chained, signed, and what they sealed is there.
async function checkpoints(where) {
  let previous;
  let signedBefore = false;
  let count = 0;
  for (const name of existsSync(where) ? readdirSync(where).filter((n) => /^checkpoint-\d+\.ndjson$/.test(n)).sort() : []) {
    const all = [];
    for await (const line of lines(path.join(where, name))) {
      all.push(line);
    }
    const [checkpoint, ...heads] = all;
    const root = sha256(
      checkpoint.previousRoot === null ? zero : hex(checkpoint.previousRoot), number(checkpoint.checkpoint), instant(checkpoint.at),
      number(checkpoint.decisions), number(checkpoint.facts),
      ...heads.flatMap((h) => [id(h.chain), number(h.length), hex(h.head), number(h.facts), hex(h.factHead)]));
    if (!root.equals(hex(checkpoint.root)) || (previous !== undefined && previous !== checkpoint.previousRoot)) {
      report(`${name}: does not hold together, or does not follow the one before`);
    }
    if (key && (checkpoint.signature === null ? signedBefore : !isSigned(hex(checkpoint.root), Buffer.from(checkpoint.signature, 'base64')))) {
      report(`${name}: its signature`);
    }
    for (const { chain, length, head, facts, factHead } of heads) {
      if (!(decisionHeads.get(chain) ?? [zero])[length]?.equals(hex(head))) {
        report(`${name}: decision ${length} of chain ${chain} is not the one that was sealed`);
      }
      if (!erased.has(chain) && !(factHeads.get(chain) ?? [zero])[facts]?.equals(hex(factHead))) {
        report(`${name}: fact ${facts} of chain ${chain} is not the one that was sealed`);
      }
    }
    previous = checkpoint.root;
    signedBefore ||= checkpoint.signature !== null;
    count++;
  }
  console.log(`${count} checkpoints in ${where}`);
}
await checkpoints(path.join(folder, 'checkpoints'));
if (option('--checkpoints')) {
  await checkpoints(option('--checkpoints'));
}

// 6. Policies are what their hashes say.
for await (const policy of lines(path.join(folder, 'policies.ndjson'))) {
  if (sha256(...policy.parts.map((p) => sha256(Buffer.from(p.base64, 'base64')))).toString('hex') !== policy.hash) {
    report(`policy ${policy.hash}`);
  }
}

const count = (map) => [...map.values()].reduce((sum, heads) => sum + heads.length - 1, 0);
console.log(`${count(decisionHeads)} decisions and ${count(factHeads)} facts in ${chains.size} chains`);
console.log(wrong === 0 ? 'Nothing is wrong.' : `${wrong} places are wrong.`);
process.exit(wrong === 0 ? 0 : 1);
