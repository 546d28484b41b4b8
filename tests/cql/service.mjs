// The service's own outcomes for the same histories, from its real command.
import { execFile } from 'node:child_process';
import { mkdirSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { promisify } from 'node:util';
import { looks } from './histories.mjs';

const executable = process.env.TITRATION_EXECUTABLE ?? fileURLToPath(new URL('../../artifacts/bin/Titration.Worker/debug/titration', import.meta.url));

export const patientOf = (bundle) => bundle.entry[0].resource.id;

/** Writes each history to the folder of its look, and `looks.json` beside them: folder, instant and zone of each. */
export function write(cases, folder) {
  const written = [];
  for (const look of looks) {
    const group = cases.filter((c) => c.look === look);
    if (group.length === 0) { continue; }
    const name = `look-${looks.indexOf(look)}`;
    mkdirSync(`${folder}/${name}`, { recursive: true });
    for (const { bundle } of group) { writeFileSync(`${folder}/${name}/${patientOf(bundle)}.json`, JSON.stringify(bundle)); }
    written.push({ ...look, folder: name, cases: group });
  }
  writeFileSync(`${folder}/looks.json`, JSON.stringify(written.map(({ folder, asOf, zone }) => ({ folder, asOf, zone }))));
  return written;
}

/** What `titration evaluate` says of the courses of one look: by patient, the course of tretinoin. */
export async function evaluate(folder, look) {
  const { stdout } = await promisify(execFile)(
    executable, ['evaluate', `${folder}/${look.folder}`, '--as-of', look.asOf, '--time-zone', look.zone, '--json'], { maxBuffer: 1 << 30 });
  const courses = JSON.parse(stdout).filter((course) => course.course?.ingredient === 'tretinoin');
  return new Map(courses.map((course) => [course.patient.slice('Patient/'.length), course]));
}
