// The CQL libraries of contracts/cql, translated to ELM and run on an engine that knows nothing of this service.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { SystemModelInfoProvider } from '@cqframework/cql/cql';
import { CqlTranslator, LibraryManager, ModelManager, createLibrarySourceProvider, createModelInfoProvider, stringAsSource } from '@cqframework/cql/cql-to-elm';
import fhir from 'cql-exec-fhir';
import cql from 'cql-execution';
import { DateTime } from 'luxon';

const names = ['TitrationHistory', 'TitrationRules'];
const source = (name) => readFileSync(new URL(`../../contracts/cql/${name}.cql`, import.meta.url), 'utf8');
const fhirModel = () => readFileSync(createRequire(import.meta.url).resolve('cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml'), 'utf8');

/** The libraries as ELM. @throws where the translator objects to anything. */
export function translate() {
  const models = new ModelManager();
  models.modelInfoLoader.registerModelInfoProvider(new SystemModelInfoProvider());
  models.modelInfoLoader.registerModelInfoProvider(createModelInfoProvider((id) => (id === 'FHIR' ? stringAsSource(fhirModel()) : null)));
  const libraries = new LibraryManager(models);
  libraries.librarySourceLoader.registerProvider(createLibrarySourceProvider((id) => stringAsSource(source(id))));
  return names.map((name) => {
    const elm = JSON.parse(CqlTranslator.fromText(source(name), libraries).toJson());
    const complaints = elm.library.annotation.filter((a) => a.type === 'CqlToElmError').map((a) => `${name}.cql:${a.startLine}: ${a.message}`);
    if (complaints.length > 0) { throw new Error(complaints.join('\n')); }
    return JSON.parse(JSON.stringify(elm, (key, value) => (key === 'localId' || key === 'locator' ? undefined : value))); // for debuggers, and slow
  });
}

/** By how many hours the zone's clock is ahead of UTC, and since when, in the two years before an instant. */
function offsets({ asOf, zone }) {
  const end = DateTime.fromISO(asOf, { zone });
  const found = [];
  const since = (from, until, step) => {
    for (let at = from; at <= until; at = at.plus(step)) {
      if (at.offset === found.at(-1)?.offset) { continue; }
      if (step.days && found.length > 0) { since(at.minus(step), at, { minutes: 15 }); } else { found.push({ at, offset: at.offset }); }
    }
  };
  since(end.minus({ years: 2 }).startOf('hour'), end.plus({ days: 1 }), { days: 1 });
  return found.map(({ at, offset }) => ({ since: instant(at), ahead: offset / 60 }));
}

const instant = (at) => cql.DateTime.parse(at.toUTC().toISO({ suppressMilliseconds: true }));

/** Evaluates Bundles looked at at one instant; by patient id, the results of the named definitions. */
export class Engine {
  #repository;
  #rules;
  #model = fhir.PatientSource.FHIRv401();

  constructor(elm) {
    this.#repository = new cql.Repository(Object.fromEntries(elm.map((library) => [library.library.identifier.id, library])));
    this.#rules = new cql.Library(elm.find((library) => library.library.identifier.id === 'TitrationRules'), this.#repository);
  }

  async evaluate(bundles, look, parameters = {}) {
    this.#model.reset();
    this.#model.loadBundles(bundles);
    const asOf = instant(DateTime.fromISO(look.asOf));
    const executor = new cql.Executor(this.#rules, undefined, { 'As Of': asOf, 'Clinic Offsets': offsets(look), ...parameters });
    return (await executor.exec(this.#model, asOf)).patientResults;
  }
}
