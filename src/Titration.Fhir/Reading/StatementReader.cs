using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>What an Observation says: by its own code and value, and by those of its components.</summary>
internal sealed class StatementReader(Vocabulary vocabulary)
{
    private readonly ValueReader _values = new(vocabulary);

    /// <summary>The statements, the graver first where two contradict each other; and whether it is a panel.</summary>
    public (ImmutableArray<Statement> Statements, bool IsPanel) Read(Observation observation, Remarks remarks)
    {
        List<Statement> statements = [];
        Meaning? own = MeaningOf(observation.Code, "Observation.code", remarks);
        Item whole = new("Observation", observation.Value, observation.DataAbsentReason);
        AddTo(statements, own, whole, remarks);
        if (own is not null and not Meaning.Panel && whole is { Value: null, Absent: null } && observation.Component.Count == 0)
        {
            remarks.Refuse("Observation.value[x]", "A value, or the reason why there is none, is needed.");
        }

        bool isPanel = own is Meaning.Panel;
        for (int i = 0; i < observation.Component.Count; i++)
        {
            Observation.ComponentComponent component = observation.Component[i];
            string path = $"Observation.component[{i}]";
            Modifiers.Check(component, path, remarks);
            Meaning? meaning = MeaningOf(component.Code, $"{path}.code", remarks);
            AddTo(statements, meaning, new Item(path, component.Value, component.DataAbsentReason), remarks);
            isPanel |= meaning is not null;
            NoteUnmapped(meaning, component.Code, remarks);
        }

        if (!isPanel)
        {
            NoteUnmapped(own, observation.Code, remarks);
        }

        return (Merge(statements, remarks), isPanel);
    }

    private void AddTo(List<Statement> statements, Meaning? meaning, Item item, Remarks remarks)
    {
        if (item is { Value: not null, Absent: not null } && meaning is not null)
        {
            remarks.Refuse($"{item.Path}.dataAbsentReason", "A value and a reason for its absence must not both be given.");
        }
        else if (item.Value is not null && meaning is not null and not Meaning.Panel && StatementOf(meaning, item, remarks) is { } statement)
        {
            statements.Add(statement);
        }
    }

    private Statement? StatementOf(Meaning meaning, Item item, Remarks remarks) => meaning switch
    {
        Meaning.Graded graded => _values.Grade(item, remarks) is { } grade ? new Statement.Graded(graded.Sign, grade) : null,
        Meaning.Finding finding => _values.YesNo(item, remarks) is { } yes ? new Statement.FindingReported(finding.Kind, yes) : null,
        Meaning.NightsApplied => ValueReader.Count(item, remarks) is { } nights ? new Statement.NightsApplied(nights) : null,
        Meaning.ApplicationsMissed => ValueReader.Count(item, remarks) is { } missed ? new Statement.ApplicationsMissed(missed) : null,
        Meaning.ProcedurePlanned => ValueReader.Date(item, remarks) is { } date ? new Statement.ProcedurePlanned(date) : null,
        Meaning.Recovered => _values.YesNo(item, remarks) is { } yes ? new Statement.Recovered(yes) : null,
        Meaning.EffectSeen => _values.Effect(item, remarks) is { } effect ? new Statement.EffectSeen(effect) : null,
        Meaning.FollowUp => _values.YesNo(item, remarks) is { } yes ? new Statement.FollowUp(yes) : null,
        _ => null,
    };

    /// <summary>What the codes of a concept mean; codes of different meanings are refused, codes without one left out.</summary>
    private Meaning? MeaningOf(CodeableConcept? concept, string path, Remarks remarks)
    {
        Meaning? found = null;
        foreach (SystemCode code in SystemCodes.Of(concept))
        {
            Meaning? meaning = vocabulary.MeaningOf(code);
            if (meaning is not null && found is not null && meaning != found)
            {
                remarks.Refuse($"{path}.coding", "The codes mean different things; one meaning is needed.");
            }

            found ??= meaning;
        }

        return found;
    }

    private void NoteUnmapped(Meaning? meaning, CodeableConcept? concept, Remarks remarks)
    {
        if (meaning is null)
        {
            remarks.Unmapped(SystemCodes.Of(concept).Where(c => !vocabulary.Ignores(c)));
        }
    }

    /// <summary>One statement of each kind, the more cautious of two; contradictions without a more cautious side are refused.</summary>
    private static ImmutableArray<Statement> Merge(List<Statement> statements, Remarks remarks)
    {
        Dictionary<object, Statement> merged = [];
        foreach (Statement statement in statements)
        {
            object key = KeyOf(statement);
            merged[key] = merged.TryGetValue(key, out Statement? other) ? Graver(other, statement, remarks) : statement;
        }

        return [.. merged.Values];
    }

    private static object KeyOf(Statement statement) => statement switch
    {
        Statement.Graded graded => graded.Sign,
        Statement.FindingReported finding => finding.Kind,
        Statement.ProcedurePlanned planned => planned,
        _ => statement.GetType(),
    };

    private static Statement Graver(Statement one, Statement other, Remarks remarks)
    {
        switch (one, other)
        {
            case (Statement.Graded a, Statement.Graded b):
                return a.Grade >= b.Grade ? a : b;
            case (Statement.FindingReported a, Statement.FindingReported b):
                return a.Present ? a : b;
            case (Statement.NightsApplied a, Statement.NightsApplied b):
                return a.Nights <= b.Nights ? a : b;
            case (Statement.ApplicationsMissed a, Statement.ApplicationsMissed b):
                return a.Applications >= b.Applications ? a : b;
            case (Statement.Recovered a, Statement.Recovered b):
                return a.Yes ? b : a;
        }

        if (one != other)
        {
            remarks.Refuse("Observation.component", "Two components say different things of the same matter.");
        }

        return one;
    }
}

/// <summary>An observation or component: its place, its value, and the reason for having none.</summary>
internal sealed record Item(string Path, DataType? Value, CodeableConcept? Absent)
{
    /// <summary>Path of the value, such as <c>Observation.valueInteger</c>.</summary>
    public string ValuePath => $"{Path}.value{(Value is null ? "[x]" : char.ToUpperInvariant(Value.TypeName[0]) + Value.TypeName[1..])}";
}
