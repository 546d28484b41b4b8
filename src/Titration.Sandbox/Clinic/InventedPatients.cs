namespace Titration.Sandbox.Clinic;

/// <summary>A dozen invented patients of an invented clinic. Any likeness is chance.</summary>
public static class InventedPatients
{
    public static IReadOnlyList<PatientStory> All { get; } =
    [
        new()
        {
            Id = "alder-1",
            Plot = "By the book: tolerates every step, wants more effect after three months.",
            Happenings = [new(85, "effect", true, "more-wanted"), new(110, "effect", false, "more-wanted")],
        },
        new()
        {
            Id = "birch-2",
            Plot = "Over-eager: applies every night although alternate nights were prescribed.",
            StartsOn = 2,
            Applies = day => day < 40 ? 2 : 1,
        },
        new() { Id = "cedar-3", Plot = "Silent: never answers a check-in.", StartsOn = 3, Answers = _ => false },
        new()
        {
            Id = "dogwood-4",
            Plot = "Nightly is too much: a 2 that lasts, a step down, later a second try.",
            StartsOn = 1,
            Skin = (day, dayOfStep) => day is >= 18 and < 45 && dayOfStep >= 2 ? [2, 1, 2, 1] : PatientStory.Settling(day, dayOfStep),
        },
        new()
        {
            Id = "elm-5",
            Plot = "Severe burning in week five, a pause, and a careful return.",
            StartsOn = 4,
            Applies = day => day is >= 34 and < 47 ? 0 : 1,
            Skin = (day, dayOfStep) => day is >= 33 and < 38 ? [2, 1, 2, 3] : PatientStory.Settling(day, dayOfStep),
            Happenings = [new(34, "checkin-panel")],
        },
        new()
        {
            Id = "fir-6",
            Plot = "Pregnant in week nine: the prescriber stops the order.",
            StartsOn = 5,
            Happenings = [new(60, "pregnancy", false, true), new(61, "order:stopped")],
        },
        new()
        {
            Id = "gorse-7",
            Plot = "Hives on day 20: an emergency, and the end of the course.",
            StartsOn = 6,
            Happenings = [new(20, "hives", false, true), new(21, "order:stopped")],
        },
        new()
        {
            Id = "hazel-8",
            Plot = "Sunburnt on a weekend: waits for the skin to recover.",
            StartsOn = 7,
            Applies = day => day is >= 50 and < 62 ? 0 : 1,
            Happenings = [new(50, "sunburn", false, true), new(60, "recovered", false, true)],
        },
        new()
        {
            Id = "ivy-9",
            Plot = "Dry and anxious: the cautious ladder, from every third night.",
            StartsOn = 2,
            Cautious = true,
            FirstFrequency = (1, 3),
        },
        new()
        {
            Id = "juniper-10",
            Plot = "Forgets half of the nights: tolerance that was not tested is not tolerance.",
            StartsOn = 8,
            Applies = day => day < 60 ? 0.5 : 1,
        },
        new()
        {
            Id = "larch-11",
            Plot = "A holiday: the prescriber puts the order on hold for ten days.",
            StartsOn = 9,
            Happenings = [new(25, "order:on-hold"), new(35, "order:active")],
        },
        new()
        {
            Id = "maple-12",
            Plot = "Another clinic prescribes oral isotretinoin meanwhile.",
            StartsOn = 10,
            Product = InventedProduct.Adapalene,
            Happenings = [new(70, "order:isotretinoin"), new(72, "order:stopped")],
        },
        new()
        {
            Id = "rowan-13",
            Plot = "Severe on day 3: the first days are not the time to push on.",
            StartsOn = 11,
            Applies = day => day is >= 3 and < 16 ? 0 : 1,
            Skin = (day, dayOfStep) => day is >= 3 and < 6 ? [3, 2, 2, 3] : PatientStory.Settling(day, dayOfStep),
            Happenings = [new(3, "checkin-panel"), new(12, "recovered", true, true)],
        },
    ];
}
