namespace Titration.Sandbox.Clinic;

/// <summary>
/// More invented patients, drawn from a seed: the same seed gives the same clinic. Each is put together from what their skin does, what they do,
/// what happens to them, how their reports arrive, and who prescribes.
/// </summary>
public static class GeneratedPatients
{
    private static readonly string[] Names =
    [
        "acacia", "aspen", "bramble", "broom", "clover", "fern", "furze", "heather", "hornbeam", "laurel", "lilac", "linden",
        "mallow", "myrtle", "olive", "osier", "poplar", "privet", "quince", "sedge", "sorrel", "tansy", "thyme", "willow",
    ];

    private static readonly Trait[] Skins =
    [
        new(50, "tolerates it", (story, _) => story),
        new(12, "always a little dry", (story, _) => story with { Skin = (_, _) => [1, 1, 1, 0] }),
        new(16, "irritated late", (story, day) => story with { Skin = Between(day, day + 30, (_, dayOfStep) => dayOfStep >= 5, [2, 1, 2, 1], story.Skin) }),
        new(12, "irritated at each step", (story, _) => story with { Skin = Between(0, 400, (_, dayOfStep) => dayOfStep is >= 4 and < 12, [1, 2, 2, 1], story.Skin) }),
        new(10, "a severe reaction", (story, day) => story with
        {
            Skin = Between(day, day + 5, (_, _) => true, [2, 1, 2, 3], story.Skin),
            Happenings = [.. story.Happenings, new(day, "checkin-panel")],
        }),
    ];

    private static readonly Trait[] Habits =
    [
        new(50, "does as told", (story, _) => story),
        new(10, "over-eager", (story, day) => story with { Applies = d => d < day ? 2 : 1 }),
        new(10, "forgets half of the nights", (story, day) => story with { Applies = d => d < day ? 0.5 : 1 }),
        new(8, "never answers", (story, _) => story with { Answers = _ => false }),
        new(6, "falls silent", (story, day) => story with { Answers = d => d < day }),
        new(10, "answers days later", (story, day) => story with { Answers = d => (d + day) % 4 == 0 }),
        new(6, "counts no nights", (story, _) => story with { CountsNights = false }),
    ];

    private static readonly Trait[] Events =
    [
        new(42, "nothing else", (story, _) => story),
        new(14, "more effect wanted", (story, _) => With(story, new(85, "effect", true, "more-wanted"), new(110, "effect", false, "more-wanted"))),
        new(8, "sunburn", (story, day) => With(story, new(day, "sunburn", false, true), new(day + 9, "recovered", false, true))),
        new(8, "a gap", (story, day) => story with { Applies = d => d >= day && d < day + 15 + (day % 35) ? 0 : story.Applies(d) }),
        new(8, "the tube runs out", (story, _) => story with { Supply = (5m, 0) }),
        new(6, "another product", (story, day) => With(story, new Happening(day, "order:switch"))),
        new(5, "on hold for a while", (story, day) => With(story, new(day, "order:on-hold"), new(day + 12, "order:active"))),
        new(4, "pregnant", (story, day) => With(story, new(day, "pregnancy", false, true), new(day + 2, "order:stopped"))),
        new(3, "hives", (story, day) => With(story, new(day, "hives", false, true), new(day + 1, "order:stopped"))),
        new(2, "oral isotretinoin", (story, day) => With(story, new(day, "order:isotretinoin"), new(day + 2, "order:stopped"))),
    ];

    private static readonly Trait[] Reports =
    [
        new(64, "", (story, _) => story),
        new(12, "reports come late", (story, day) => story with { After = n => n % 3 == day % 3 ? Aftermath.Late : Aftermath.None }),
        new(12, "reports are amended", (story, day) => story with { After = n => n % 4 == day % 4 ? Aftermath.Amended : Aftermath.None }),
        new(12, "reports of somebody else", (story, day) => story with { After = n => n % 4 == day % 4 ? Aftermath.EnteredInError : Aftermath.None }),
    ];

    // In the order of Prescriber.All.
    private static readonly int[] PrescriberWeights = [46, 16, 10, 10, 8, 10];

    private static readonly string[] Tempers = ["approved at once", "approved late", "never answered", "declined first", "approved without an order", "re-prescribed instead"];

    /// <summary>So many patients, numbered from <paramref name="first"/>.</summary>
    public static IEnumerable<PatientStory> Of(int count, int first, int seed)
    {
        Random chance = new(seed);
        for (int number = first; number < first + count; number++)
        {
            Trait[] traits = [Drawn(Skins, chance), Drawn(Habits, chance), Drawn(Events, chance), Drawn(Reports, chance)];
            int prescriber = Drawn(PrescriberWeights, chance);
            bool cautious = chance.Next(8) == 0;
            PatientStory story = new()
            {
                Id = $"{Names[chance.Next(Names.Length)]}-{number}",
                Plot = $"{string.Join(", ", traits.Select(t => t.Plot).Append(cautious ? "cautious ladder" : "").Where(p => p.Length > 0))}; proposals {Tempers[prescriber]}.",
                BirthYear = chance.Next(1961, 2007),
                StartsOn = chance.Next(42),
                Cautious = cautious,
                FirstFrequency = cautious ? (1, 3) : (1, 2),
                Prescriber = Prescriber.All[prescriber],
                Product = chance.Next(4) == 0 ? InventedProduct.Adapalene : InventedProduct.Tretinoin,
            };
            yield return traits.Aggregate(story, (changed, trait) => trait.Change(changed, chance.Next(8, 110)));
        }
    }

    private static Trait Drawn(Trait[] traits, Random chance) => traits[Drawn([.. traits.Select(t => t.Weight)], chance)];

    private static int Drawn(int[] weights, Random chance)
    {
        int left = chance.Next(weights.Sum());
        int index = 0;
        while (left >= weights[index])
        {
            left -= weights[index++];
        }

        return index;
    }

    private static PatientStory With(PatientStory story, params Happening[] happenings) => story with { Happenings = [.. story.Happenings, .. happenings] };

    private static Func<int, int, int[]> Between(int from, int before, Func<int, int, bool> when, int[] grades, Func<int, int, int[]> otherwise) =>
        (day, dayOfStep) => day >= from && day < before && when(day, dayOfStep) ? grades : otherwise(day, dayOfStep);

    /// <param name="Weight">How often, against the others of its kind.</param>
    /// <param name="Plot">In a few words; empty for what needs none.</param>
    /// <param name="Change">Makes the story one with this trait, given a day of the course.</param>
    private sealed record Trait(int Weight, string Plot, Func<PatientStory, int, PatientStory> Change);
}
